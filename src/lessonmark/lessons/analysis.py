"""A lesson's folder in, its findings out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from lessonmark import __version__
from lessonmark.errors import LessonFileError, UnusableClip
from lessonmark.evidence.lasting import look_again_sentence
from lessonmark.evidence.report import EvidenceReport
from lessonmark.evidence.scatter import Scatter
from lessonmark.language import say, say_n
from lessonmark.lessons.camera_between import CameraBetween, camera_between
from lessonmark.lessons.cautions import cautions_for
from lessonmark.lessons.chain import check_coachs_chain
from lessonmark.lessons.clip_pool import ClipProgress, analyse_clips
from lessonmark.lessons.clip_settings import clip_settings
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import (
    ClipFinding,
    ClipProblem,
    Findings,
    FocusFinding,
    PlayerFacts,
)
from lessonmark.lessons.judging import captions, judge_clips, list_refusals
from lessonmark.lessons.lesson_file import LESSON_FILE, FocusEntry, LessonFile, read_lesson_file
from lessonmark.lessons.paired_views import lend_positions
from lessonmark.lessons.pictures import picture_pair
from lessonmark.lessons.together import find_links
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.registry import catalogue
from lessonmark.words import Stage, View

__all__ = [
    "DERIVED",
    "PICTURES",
    "analyse_lesson",
    "find_evidence",
    "report_evidence",
    "scale_note",
]

DERIVED = "derived"  # folder inside the output folder: may be deleted, is made again
PICTURES = "pictures"


def analyse_lesson(
    folder: Path,
    *,
    out: Path,
    heavy: bool = False,
    workers: int | None = None,
    on_progress: Callable[[ClipProgress], None] = lambda progress: None,
) -> Findings:
    """Analyse the lesson in `folder` and write its pictures under `out`.

    Parameters
    ----------
    folder : holds lesson.toml and the clips; nothing in it is changed.
    out : output folder; finished pieces of an earlier run in it are used again.
    heavy : use the larger pose network.
    workers : clips at once; None for one a core.
    on_progress : told how far each clip is.

    Raises
    ------
    LessonFileError : lesson.toml cannot be used.
    UnusableClip : not one clip could be measured; says why for each.
    WeightsMissing : the pose network's weights are not in the cache.
    """
    lesson = read_lesson_file(folder)
    _check_focus(lesson, folder)
    _check_chain(lesson, folder)
    out.mkdir(parents=True, exist_ok=True)
    settings = [clip_settings(lesson, clip, heavy=heavy) for clip in lesson.clip]
    results = list(
        analyse_clips(
            folder, settings, derived=out / DERIVED, workers=workers, on_progress=on_progress
        )
    )
    clips = [result for result in results if isinstance(result, ClipFinding)]
    problems = [result for result in results if isinstance(result, ClipProblem)]
    if not clips:
        raise UnusableClip(
            say("not one clip of this lesson could be measured")
            + "".join(f"\n  {problem.clip}: {problem.what}" for problem in problems),
            path=folder / LESSON_FILE,
        )
    clips = lend_positions(
        clips,
        {clip.file: clip.same_swing for clip in lesson.clip},
        folder=folder,
        derived=Derived(out / DERIVED),
        club_cm=lesson.club.length_cm,
    )
    return find_evidence(lesson, clips, problems, folder=folder, out=out)


def find_evidence(
    lesson: LessonFile,
    clips: Sequence[ClipFinding],
    problems: Sequence[ClipProblem],
    *,
    folder: Path,
    out: Path,
    focus: Sequence[FocusEntry] | None = None,
    cut_pictures: bool = True,
    scatters: Mapping[tuple[MeasureAt, View], Scatter] | None = None,
) -> Findings:
    """Judge measured clips and cut the pictures; quick, so that a coach may try other foci.

    Parameters
    ----------
    focus : the focus measures; None for those of lesson.toml.
    cut_pictures : False leaves them out, which is quicker still.
    scatters : this player's own, learnt from earlier lessons; the unit's prior where there is none.
    """
    focus = lesson.focus if focus is None else focus
    derived = Derived(out / DERIVED)
    cameras = _cameras(clips, folder=folder, out=out)
    judged = judge_clips(
        focus,
        clips,
        camera_moved={between.view: between.moved for between in cameras},
        scatters=scatters or {},
    )
    same_swing = {clip.file: clip.same_swing for clip in lesson.clip}
    return Findings(
        lesson_title=lesson.lesson.title,
        date=lesson.lesson.date.isoformat(),
        player=PlayerFacts(
            name=lesson.player.name,
            handedness=lesson.player.handedness,
            stature_cm=lesson.player.stature_cm,
            birth_year=lesson.player.birth_year,
        ),
        club=lesson.club.name,
        club_length_cm=lesson.club.length_cm,
        drill=lesson.lesson.drill,
        clips=tuple(clips),
        problems=tuple(problems),
        focus=tuple(
            _with_pictures(one, clips, folder=folder, out=out, derived=derived)
            if cut_pictures
            else one
            for one in judged.focus
        ),
        side_effects=judged.side_effects,
        not_measured=list_refusals(clips),
        cautions=cautions_for(lesson),
        scale_note=scale_note(clips),
        software=f"lessonmark {__version__}",
        chain=check_coachs_chain(lesson.chain, clips, same_swing),
        links=find_links(judged.focus, lesson.chain, judged.side_effects, clips, same_swing),
        notes=(
            look_again_sentence(),
            *(between.note for between in cameras),
            *_notes(clips),
        ),
    )


def report_evidence(findings: Findings, *, folder: Path, out: Path) -> EvidenceReport:
    """Judge a lesson's findings again, with every test kept; no clip is measured anew.

    Raises
    ------
    LessonFileError : lesson.toml cannot be used.
    """
    moved = {one.view: one.moved for one in _cameras(findings.clips, folder=folder, out=out)}
    return judge_clips(read_lesson_file(folder).focus, findings.clips, camera_moved=moved).report


def _cameras(clips: Sequence[ClipFinding], *, folder: Path, out: Path) -> list[CameraBetween]:
    derived = Derived(out / DERIVED)
    return [
        between
        for view in View
        if (between := camera_between(view, clips, folder=folder, derived=derived)) is not None
    ]


def _with_pictures(
    finding: FocusFinding,
    clips: Sequence[ClipFinding],
    *,
    folder: Path,
    out: Path,
    derived: Derived,
) -> FocusFinding:
    stages = {row.stage: row for row in finding.stages}
    pair = picture_pair(
        finding.at,
        stages[Stage.BEFORE],
        stages[Stage.AFTER],
        clips,
        folder=folder,
        derived=derived,
        pictures=out / PICTURES,
        captions=captions(finding),
    )
    return replace(finding, pictures=pair)


def _check_focus(lesson: LessonFile, folder: Path) -> None:
    """Refuse a focus measure that the catalogue does not have, before any work is done."""
    known = {entry.id: entry for entry in catalogue()}
    for number, wanted in enumerate(lesson.focus, start=1):
        entry = known.get(wanted.at.measure)
        if entry is None:
            raise _unknown(
                say("the measure '{name}' is not in the catalogue", name=wanted.at.measure),
                folder,
                number,
                say("use one that 'lessonmark measures' lists"),
            )
        if wanted.view is not None and wanted.view not in entry.views:
            raise _unknown(
                say("{name} is not seen from {view}", name=entry.id, view=wanted.view),
                folder,
                number,
                say("leave 'view' out or use the other one"),
            )
        views = [wanted.view] if wanted.view else list(entry.views)
        places = {place for view in views for place in entry.positions_from(view)}
        if entry.is_span != (wanted.at.position is None) or (
            wanted.at.position is not None and wanted.at.position not in places
        ):
            raise _unknown(
                say("{name} does not mean anything there", name=wanted.measure),
                folder,
                number,
                say("leave the position out")
                if entry.is_span
                else say("use one of {places}", places=", ".join(sorted(places))),
            )


def _check_chain(lesson: LessonFile, folder: Path) -> None:
    """Refuse a step that the catalogue cannot show, before any work is done."""
    known = {entry.id for entry in catalogue()}
    for number, step in enumerate(lesson.chain, start=1):
        name = MeasureAt.parse(step.measure).measure
        if name not in known:
            raise LessonFileError(
                say("the measure '{name}' is not in the catalogue", name=name),
                path=folder / LESSON_FILE,
                where=f"chain {number}",
                do=say("use one that 'lessonmark measures' lists"),
            )


def _unknown(what: str, folder: Path, number: int, do: str) -> LessonFileError:
    return LessonFileError(what, path=folder / LESSON_FILE, where=f"focus {number}", do=do)


def scale_note(clips: Sequence[ClipFinding]) -> str:
    """Say where the centimetres come from; for each view by itself where they differ."""
    seen = [(clip.view, clip.scale.note) for clip in clips if clip.scale is not None]
    if seen:
        views: dict[str, set[View]] = {}
        for view, note in seen:
            views.setdefault(note, set()).add(view)
        every = {view for view, _ in seen}
        return "; ".join(
            note if views[note] == every else f"{min(views[note])}: {note}"
            for note in views
            if note
        )
    return say("No scale was found, so lengths are in % of the torso's length at address.")


def _notes(clips: Sequence[ClipFinding]) -> tuple[str, ...]:
    """Gather the clips' warnings, each once, with how many clips it is about."""
    counted: dict[str, int] = {}
    for clip in clips:
        for note in clip.notes:
            counted[note] = counted.get(note, 0) + 1
    return tuple(
        note if count == len(clips) else f"{note} ({say_n('{n} clip', '{n} clips', count)})"
        for note, count in counted.items()
    )
