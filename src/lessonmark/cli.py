"""Lessonmark from a terminal: the same jobs as the pages, and no arithmetic."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from lessonmark import (
    __version__,
    account_commands,
    archive_commands,
    record_commands,
    seal_commands,
)
from lessonmark.language import languages, say, speaking
from lessonmark.terminal import bars, errors_for_people, one_bar, out_console, table
from lessonmark.words import Handedness, View

__all__ = ["app"]

app = typer.Typer(
    name="lessonmark",
    help="From the clips of a golf lesson to evidence of what changed.",
    no_args_is_help=True,
    add_completion=False,
)
app.add_typer(record_commands.app)
app.add_typer(archive_commands.app)
app.add_typer(seal_commands.app)
app.add_typer(account_commands.app, name="account")

OwnDrills = Annotated[
    Path | None,
    typer.Option(help="Your own drills, TOML files; left out: those beside the record."),
]


@app.callback()
def main() -> None:
    """From the clips of a golf lesson to evidence of what changed."""


@app.command()
def version() -> None:
    """Say which version this is."""
    out_console.print(__version__)


@app.command()
def weights(
    heavy: Annotated[bool, typer.Option(help="Also fetch the larger network.")] = False,
) -> None:
    """Fetch the pose network's weights once, at set-up."""
    from lessonmark.tracks.weights import DETECTOR, FULL, HEAVY, fetch_weights

    with errors_for_people():
        wanted = (DETECTOR, FULL, HEAVY) if heavy else (DETECTOR, FULL)
        for path in fetch_weights(*wanted):
            out_console.print(say("The pose network's {file} is ready.", file=path.name))


@app.command()
def analyse(
    lesson: Annotated[Path, typer.Argument(help="Folder with lesson.toml and the clips.")],
    out: Annotated[Path | None, typer.Option(help="Where the sheet goes.")] = None,
    heavy: Annotated[bool, typer.Option(help="Use the larger, slower network.")] = False,
    workers: Annotated[int | None, typer.Option(min=1, help="Clips at once.")] = None,
) -> None:
    """Measure a lesson's clips and write its sheet."""
    from lessonmark.pack.analyse import analyse as run

    with errors_for_people(), bars() as on_progress:
        done = run(lesson, out=out, heavy=heavy, workers=workers, on_progress=on_progress)
    if done.earlier is not None:
        out_console.print(
            say(
                "Another version of the program made the sheet that was here; it stays at {path}",
                path=done.earlier,
            ),
            soft_wrap=True,
        )
    for problem in done.findings.problems:
        out_console.print(
            f"[bold]{problem.clip}[/bold]: {problem.what}; {problem.do}.",
            highlight=False,
        )
    for finding in done.findings.focus:
        out_console.print(f"• {finding.sentence}", highlight=False)
    out_console.print(say("The lesson sheet is at {path}", path=done.sheet), soft_wrap=True)


@app.command()
def check(
    clip: Annotated[Path, typer.Argument(help="The clip.")],
    view: Annotated[View, typer.Option(help="Where the camera stood.")] = View.FACE_ON,
    hand: Annotated[Handedness, typer.Option(help="The player's.")] = Handedness.RIGHT,
    stature_cm: Annotated[float | None, typer.Option(min=100, max=230)] = None,
    fps_filmed: Annotated[float | None, typer.Option(help="Where the file plays slower.")] = None,
    picture: Annotated[Path | None, typer.Option(help="JPEG to write.")] = None,
    stick: Annotated[
        tuple[float, float, float, float] | None,
        typer.Option(help="Two ends, in pixels, of a stick on the target line: X Y X Y."),
    ] = None,
    stick_cm: Annotated[
        float | None, typer.Option(min=20, max=400, help="The stick's length, for the scale.")
    ] = None,
) -> None:
    """Say in five lines how a clip was filmed, what it costs, and how to do better."""
    from lessonmark.lessons.clip_check import check_clip

    if stick_cm is not None and stick is None:
        raise typer.BadParameter(say("a stick's length needs its two ends: --stick X Y X Y"))
    with errors_for_people():
        checked = check_clip(
            clip,
            picture or Path(f"{clip.stem}-check.jpg"),
            view=view,
            handedness=hand,
            stature_cm=stature_cm,
            fps_declared=fps_filmed,
            stick=((stick[0], stick[1]), (stick[2], stick[3])) if stick else None,
            stick_cm=stick_cm,
        )
    said = [checked.centimetres] if checked.centimetres else []
    for line in (*checked.camera.lines, *said):
        out_console.print(f"• {line}", highlight=False)
    out_console.print(say("The picture is at {path}", path=checked.picture), soft_wrap=True)


@app.command()
def evidence(
    lesson: Annotated[Path, typer.Argument(help="Folder with lesson.toml and the clips.")],
    out: Annotated[Path | None, typer.Option(help="Where the sheet went.")] = None,
    depth: Annotated[str, typer.Option(help="player, coach or analyst.")] = "coach",
) -> None:
    """Print a lesson's evidence: every change with its interval and its test."""
    from lessonmark.evidence.report import report_rows, report_text
    from lessonmark.lessons.analysis import report_evidence
    from lessonmark.pack.analyse import OUT
    from lessonmark.pack.analyse import analyse as run

    if depth not in ("player", "coach", "analyst"):
        raise typer.BadParameter(say("a depth is player, coach or analyst"))
    with errors_for_people():
        with bars() as on_progress:
            findings = run(lesson, out=out, on_progress=on_progress).findings
        report = report_evidence(findings, folder=lesson, out=out or lesson / OUT)
    table(*report_rows(report))
    out_console.print()
    out_console.print(report_text(report, depth=depth), highlight=False)  # type: ignore[arg-type]


@app.command()
def teach(
    lesson: Annotated[Path, typer.Argument(help="Folder with lesson.toml and the clips.")],
    out: Annotated[Path | None, typer.Option(help="Where the sheet went.")] = None,
) -> None:
    """Print what was measured and why, for the coach who wants to check the tool."""
    from lessonmark.pack.analyse import analyse as run
    from lessonmark.pack.teach import refused_rows, swing_rows, teach_rows

    with errors_for_people(), bars() as on_progress:
        findings = run(lesson, out=out, on_progress=on_progress).findings
    for row in teach_rows(findings):
        out_console.print(f"[bold]{row.name}[/bold] ({row.kind}, {row.view})", highlight=False)
        for line in (row.definition, row.sign, row.reads, row.tests):
            out_console.print(f"  {line}", highlight=False)
    out_console.print()
    head = (say("measure"), say("stage"), say("swing"), say("value"), say("camera's part"))
    rows = [
        (row.measure, row.stage, row.swing, row.value, row.systematic, row.moment, row.found_from)
        for row in swing_rows(findings)
    ]
    table((*head, say("when"), say("found from")), *rows)
    out_console.print()
    refusals = [(row.subject, row.reason, row.do) for row in refused_rows(findings)]
    table((say("not measured"), say("why"), say("what would help")), *refusals)


@app.command()
def pack(
    lesson: Annotated[Path, typer.Argument(help="Folder with lesson.toml and the clips.")],
    out: Annotated[Path | None, typer.Option(help="Where the sheet went.")] = None,
    name: Annotated[bool, typer.Option(help="Put the player's name on everything.")] = False,
    video: Annotated[bool, typer.Option(help="Render the review video.")] = True,
    language: Annotated[str, typer.Option(help="Language of the pack.")] = "en",
    folder: OwnDrills = None,
) -> None:
    """Make what the player takes home: sheet, paper, card, review video and message."""
    from lessonmark.lessons.analysis import PICTURES
    from lessonmark.lessons.coach_library import library_at_hand
    from lessonmark.pack.analyse import OUT
    from lessonmark.pack.analyse import analyse as run
    from lessonmark.pack.bundle import PackChoices, write_pack
    from lessonmark.pack.words_file import read_words

    where = out or lesson / OUT
    if language not in languages():
        raise typer.BadParameter(say("there are {names}", names=", ".join(languages())))
    with errors_for_people(), speaking(language):
        words = read_words(lesson, drills=library_at_hand(folder))
        with bars() as on_progress:
            findings = run(lesson, out=out, on_progress=on_progress).findings
        with one_bar() as moved:
            made = write_pack(
                findings,
                where / "pack",
                lesson_folder=lesson,
                pictures=where / PICTURES,
                words=words,
                choices=PackChoices(with_name=name, with_video=video),
                progress=moved,
            )
    out_console.print(say("The pack is at {path}", path=made.folder), soft_wrap=True)


@app.command()
def drills(
    folder: OwnDrills = None,
    show: Annotated[str | None, typer.Option(help="Id of a drill to print in full.")] = None,
    effect: Annotated[bool, typer.Option(help="How each did over the record's players.")] = False,
    record: Annotated[Path | None, typer.Option(help="Where the record is kept.")] = None,
) -> None:
    """List the drills of the library, print one, or say which work."""
    from lessonmark.drills.library import caution_sentences, find_drill
    from lessonmark.drills.wording import checkpoint_sentence, dose_sentence
    from lessonmark.lessons.coach_library import library_at_hand
    from lessonmark.lessons.drill_words import drill_effect_lines

    if effect:
        with errors_for_people():
            for line in drill_effect_lines(record, folder):
                out_console.print(f"• {line}", highlight=False, markup=False)
        return
    with errors_for_people():
        library = library_at_hand(folder, record_folder=record)
        if show is None:
            head = (say("id"), say("drill"), say("done when"))
            rows = [(d.id, d.said().name, checkpoint_sentence(d.checkpoint)) for d in library]
            table(head, *rows)
            return
        drill = find_drill(library, show)
    words = drill.said()
    out_console.print(f"[bold]{words.name}[/bold]", highlight=False)
    done = say("Done when: {checkpoint}.", checkpoint=checkpoint_sentence(drill.checkpoint))
    lines = (*words.set_up, words.cue, dose_sentence(drill.dose), words.easier, words.harder, done)
    for line in (*lines, *caution_sentences(drill), drill.source):
        out_console.print(f"• {line}", highlight=False, markup=False)


@app.command()
def obstacle(
    lesson: Annotated[Path, typer.Argument(help="Folder with lesson.toml and the clips.")],
    height_cm: Annotated[float, typer.Option(help="The obstacle's height.")] = 7.0,
    out: Annotated[Path | None, typer.Option(help="Where the sheet went.")] = None,
) -> None:
    """Plan a soft obstacle behind the ball that the swings before touch and those after clear."""
    from lessonmark.lessons.analysis import DERIVED
    from lessonmark.lessons.derived import Derived
    from lessonmark.lessons.lesson_obstacle import lesson_obstacle
    from lessonmark.pack.analyse import OUT
    from lessonmark.pack.analyse import analyse as run

    where = out or lesson / OUT
    with errors_for_people():
        with bars() as on_progress:
            findings = run(lesson, out=out, on_progress=on_progress).findings
        planned = lesson_obstacle(
            findings, folder=lesson, derived=Derived(where / DERIVED), height_cm=height_cm
        )
    picture = where / "obstacle.svg"
    picture.write_text(planned.picture, encoding="utf-8")
    for line in (*planned.plan.lines, *planned.plan.cautions, *planned.left_out):
        out_console.print(f"• {line}", highlight=False, markup=False)
    out_console.print(say("The picture is at {path}", path=picture), soft_wrap=True)


@app.command()
def plan(
    drill: Annotated[list[str], typer.Argument(help="Ids of drills, most important first.")],
    until: Annotated[datetime, typer.Option(formats=["%Y-%m-%d"], help="Day of the next lesson.")],
    start: Annotated[datetime | None, typer.Option(formats=["%Y-%m-%d"])] = None,
    minutes: Annotated[int, typer.Option(min=1, help="Minutes a week, warm-up included.")] = 100,
    days: Annotated[int, typer.Option(min=1, max=6, help="Days a week.")] = 3,
    birth_year: Annotated[int | None, typer.Option(min=1900, max=2100)] = None,
    sport_hours: Annotated[float, typer.Option(min=0, help="Other sport, hours a week.")] = 0.0,
    lay_off: Annotated[bool, typer.Option(help="A month or more without golf.")] = False,
    back: Annotated[bool, typer.Option(help="The back has hurt.")] = False,
    hand: Annotated[Handedness, typer.Option(help="The player's.")] = Handedness.RIGHT,
    folder: OwnDrills = None,
    out: Annotated[Path, typer.Option(help="Where plan.html and plan.ics go.")] = Path("plan"),
) -> None:
    """Plan the practice until the next lesson, as a page and a calendar."""
    from lessonmark.drills.calendar import plan_calendar
    from lessonmark.drills.dose import Wish
    from lessonmark.drills.library import find_drill
    from lessonmark.drills.plan import plan_practice
    from lessonmark.drills.plan_page import plan_page
    from lessonmark.lessons.coach_library import library_at_hand

    now = datetime.now(UTC)
    begin = (start or datetime.now()).date()
    if until.date() <= begin:
        raise typer.BadParameter(say("the next lesson comes after the start"))
    with errors_for_people():
        library = library_at_hand(folder)
        made = plan_practice(
            [find_drill(library, id) for id in drill],
            Wish(
                start=begin,
                next_lesson=until.date(),
                minutes_a_week=minutes,
                days_a_week=days,
                birth_year=birth_year,
                sport_hours_a_week=sport_hours,
                lay_off=lay_off,
                back=back,
            ),
        )
    out.mkdir(parents=True, exist_ok=True)
    (out / "plan.html").write_text(plan_page(made, handedness=hand), encoding="utf-8")
    (out / "plan.ics").write_bytes(plan_calendar(made, made_at=now, plan_id=str(out.resolve())))
    for line in (*made.warnings, *made.left_out):
        out_console.print(f"• {line}", highlight=False, markup=False)
    head = (say("day"), say("minutes"), say("swings"), say("film"))
    rows = [
        (str(s.on), str(s.minutes), str(s.swings), say("yes") if s.films else "")
        for s in made.sessions
    ]
    table(head, *rows)
    out_console.print(say("The plan is at {path}", path=out / "plan.html"), soft_wrap=True)


@app.command()
def practice(
    lesson: Annotated[Path, typer.Argument(help="Folder with lesson.toml.")],
    drill: Annotated[str, typer.Option(help="Id of the drill.")],
    clip: Annotated[list[Path] | None, typer.Argument(help="Practice clips.")] = None,
    watch: Annotated[Path | None, typer.Option(help="Folder to watch for clips.")] = None,
    folder: OwnDrills = None,
    out: Annotated[Path | None, typer.Option(help="Where the sheet went.")] = None,
    keep_with: Annotated[
        int | None, typer.Option(help="Number of a lesson in the record, to keep it there too.")
    ] = None,
    record: Annotated[Path | None, typer.Option(help="Where the record is kept.")] = None,
) -> None:
    """Check practice clips against a drill's checkpoint: three lines and a picture."""
    from lessonmark.drills.library import find_drill
    from lessonmark.lessons.coach_library import library_at_hand
    from lessonmark.lessons.findings import read_findings
    from lessonmark.lessons.lesson_file import read_lesson_file
    from lessonmark.lessons.practice import check_practice, keep_in_record, watch_folder
    from lessonmark.pack.analyse import OUT

    where = out or lesson / OUT
    with errors_for_people():
        chosen = find_drill(library_at_hand(folder, record_folder=record), drill)
        who = read_lesson_file(lesson)
        sheet = where / "sheet.json"
        known = read_findings(sheet).clips if sheet.exists() else ()
        files = list(clip or [])
        rounds = [files] if watch is None else ([*files, new] for new in watch_folder(watch))
        for round in rounds:
            if watch is not None:
                files[:] = round
            at = datetime.now(UTC)
            told = check_practice(
                round, chosen, who, out=where / "practice", lesson_clips=known, at=at
            )
            for line in told.lines:
                out_console.print(f"• {line}", highlight=False, markup=False)
            if told.picture is not None:
                out_console.print(
                    say("The picture is at {path}", path=told.picture), soft_wrap=True
                )
            if keep_with is not None and keep_in_record(record, keep_with, chosen, told, at=at):
                out_console.print(say("Kept with lesson {n} of the record.", n=keep_with))


@app.command()
def retest(
    lesson: Annotated[Path, typer.Argument(help="Folder with lesson.toml and the clips.")],
    out: Annotated[Path | None, typer.Option(help="Where the sheet went.")] = None,
) -> None:
    """Say what to film first at the next lesson, and a retest beside its forecast."""
    from lessonmark.lessons.lesson_retest import lesson_retest
    from lessonmark.pack.analyse import analyse as run

    with errors_for_people(), bars() as on_progress:
        findings = run(lesson, out=out, on_progress=on_progress).findings
    for line in lesson_retest(findings):
        out_console.print(f"• {line}", highlight=False)


@app.command()
def measures() -> None:
    """List the catalogue of measures."""
    from lessonmark.measures.page import catalogue_rows

    head = (say("measure"), say("seen from"), say("unit"), say("what it is"))
    table(head, *((row.id, row.views, row.unit, row.definition) for row in catalogue_rows()))


if __name__ == "__main__":
    app()
