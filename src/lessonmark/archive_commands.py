"""The archive from a terminal: measure it again when a measure has improved."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lessonmark.language import say
from lessonmark.terminal import errors_for_people, one_bar, out_console, table

if TYPE_CHECKING:
    from lessonmark.lessons.remeasure import VerdictPair

__all__ = ["app"]

app = typer.Typer(add_completion=False)

COLUMNS = (
    *("lesson", "day", "view", "measure", "unit", "verdict before", "verdict now"),
    *("difference before", "difference now", "changed"),
)
SHOWN_MAX = 40  # changed verdicts on the screen; the report has all


@app.command()
def remeasure(
    since: Annotated[
        datetime, typer.Option(formats=["%Y-%m-%d"], help="Lessons from this day on.")
    ],
    folder: Annotated[Path | None, typer.Option(help="Where the record is kept.")] = None,
    report: Annotated[Path | None, typer.Option(help="CSV of every verdict to write.")] = None,
    heavy: Annotated[bool, typer.Option(help="Use the larger network.")] = False,
    only_report: Annotated[bool, typer.Option(help="Measure nothing.")] = False,
) -> None:
    """Measure the archive again where an older version measured it, and report what changed.

    Run it again after a stop: it goes on, and measures nothing twice.
    """
    from lessonmark.lessons.cluster import ClusterWork, drain
    from lessonmark.lessons.own_analyser import OwnAnalyser
    from lessonmark.lessons.remeasure import archive_state, ask_anew, verdict_pairs
    from lessonmark.lessons.store import open_record, take_up_work

    with errors_for_people():
        record, analyser = open_record(folder), OwnAnalyser(heavy=heavy)
        try:
            if not only_report:
                take_up_work(record)
                asked = ask_anew(record, since.date(), heavy=heavy)
                out_console.print(say("Put into the queue: {n} clips.", n=asked))
                with one_bar() as move:
                    drain(record, analyser, _bar(move), work=ClusterWork(heavy=heavy))
            state = archive_state(record, since.date(), heavy=heavy)
            pairs = list(verdict_pairs(record, since.date()))
        finally:
            analyser.close()
            record.close()
    out_console.print(
        say(
            "{current} of {clips} clips are measured with this version; {waiting} wait; "
            "{refused} could not be measured and keep their old numbers.",
            current=state.current,
            clips=state.clips,
            waiting=state.waiting,
            refused=state.refused,
        )
    )
    changed = [pair for pair in pairs if pair.changed]
    out_console.print(
        say("{n} of {of} verdicts are other ones than before.", n=len(changed), of=len(pairs))
    )
    head = (say("lesson"), say("day"), say("measure"), say("before"), say("now"))
    rows = [
        (str(one.lesson_id), one.day.isoformat(), one.measure, one.before, one.after)
        for one in changed[:SHOWN_MAX]
    ]
    if rows:
        table(head, *rows)
    if report is not None:
        _write(report, pairs)
        out_console.print(say("The report is at {path}", path=report), soft_wrap=True)


def _bar(move: Callable[[float, str], None]) -> Callable[[int], None]:
    most = 1

    def tell(left: int) -> None:
        nonlocal most
        most = max(most, left)
        move(1 - left / most, say("{n} to go", n=left))

    return tell


def _write(path: Path, pairs: list[VerdictPair]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(COLUMNS)
        for one in pairs:
            changed = "yes" if one.changed else "no"
            measure = (one.lesson_id, one.day, one.view, one.measure, one.unit)
            differences = (one.difference_before, one.difference_after)
            out.writerow((*measure, one.before, one.after, *differences, changed))
