"""Turn rows of the record into jobs for the analysis, and its findings back into rows."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import PurePath

from pydantic import TypeAdapter
from sqlalchemy.orm import Session

from lessonmark.lessons.analyser import (
    CauseWish,
    ClipJob,
    FocusWish,
    LessonJob,
    MovedLandmark,
    Moves,
    PictureWish,
)
from lessonmark.lessons.camera_between import compared_clips
from lessonmark.lessons.files import FileStore
from lessonmark.lessons.findings import (
    ClipFinding,
    ClipProblem,
    Findings,
    PlayerFacts,
    SwingFinding,
)
from lessonmark.lessons.kept_changes import keep_changes
from lessonmark.lessons.own_scatter import own_scatters
from lessonmark.lessons.record import (
    Clip,
    ClipState,
    CorrectionKind,
    Lesson,
    LessonFinding,
    Swing,
)
from lessonmark.lessons.versions import judging_version
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.stick import Stick
from lessonmark.words import Position, View

__all__ = [
    "FINDINGS",
    "clip_job",
    "clip_key",
    "lesson_job",
    "moves_of",
    "raw_swing",
    "read_lesson_findings",
    "read_swing",
    "shown_swing",
    "swing_key",
    "versions_in",
    "whole_findings",
    "write_clip_finding",
    "write_lesson_findings",
    "write_swing",
]

_CLIP: TypeAdapter[ClipFinding] = TypeAdapter(ClipFinding)
_SWING: TypeAdapter[SwingFinding] = TypeAdapter(SwingFinding)
FINDINGS: TypeAdapter[Findings] = TypeAdapter(Findings)
VERSIONS_MAX = 200  # characters, as the column is wide


def clip_key(clip: Clip) -> str:
    """Name a clip inside its lesson: two phones may both have an IMG_0001."""
    return f"{PurePath(clip.name).stem}~{clip.sha256[:6]}"


def swing_key(clip: Clip, number: int) -> str:
    """Name a swing inside its lesson."""
    return f"{clip_key(clip)}#{number}"


def clip_job(files: FileStore, clip: Clip, *, pictures: bool = False) -> ClipJob:
    """Gather what the analysis needs to know of a clip.

    Parameters
    ----------
    pictures : whether the clip's pictures will be looked at, and not its track alone.
    """
    player = clip.lesson.player
    return ClipJob(
        path=files.load(clip.sha256) if pictures else files.locate(clip.sha256),
        clip=clip_key(clip),
        sha256=clip.sha256,
        stage=clip.stage,
        view=clip.view,
        handedness=player.handedness,
        stature_cm=player.stature_cm,
        club_length_cm=clip.lesson.club_length_cm,
        fps_declared=clip.fps_declared,
        mirrored=clip.mirrored,
        stick=_stick(clip),
        stick_cm=clip.stick_cm,
        derived=files.derived(clip.sha256, frames=pictures),
    )


def _stick(clip: Clip) -> Stick | None:
    if clip.stick is None:
        return None
    (ax, ay), (bx, by) = clip.stick
    return (ax, ay), (bx, by)


def lesson_job(files: FileStore, lesson: Lesson) -> LessonJob:
    """Gather a lesson's measured swings, as corrected, and the coach's wishes.

    Only the clips that tell whether the camera stood still are loaded; whoever looks at the
    pictures of others loads them.
    """
    player = lesson.player
    done = [clip for clip in lesson.clips if clip.finding is not None]
    clips = tuple(_finding_now(clip) for clip in done)
    looked_at = {one.sha256 for view in View for one in compared_clips(view, clips)}
    return LessonJob(
        title=lesson.title,
        date=lesson.started_at.date().isoformat(),
        player=PlayerFacts(
            name=player.name,
            handedness=player.handedness,
            stature_cm=player.stature_cm or 0.0,
            birth_year=player.birth_year,
        ),
        club=lesson.club,
        club_length_cm=lesson.club_length_cm,
        drill=", ".join(drill.name for drill in lesson.drills),
        focus=tuple(
            FocusWish(
                at=MeasureAt.parse(wish.at),
                view=wish.view,
                direction=wish.direction,
                smallest_worth=wish.smallest_worth,
            )
            for wish in lesson.focus
        ),
        pictures=tuple(
            PictureWish(
                at=MeasureAt.parse(wish.at), view=wish.view, before=wish.before, after=wish.after
            )
            for wish in lesson.pictures
        ),
        clips=clips,
        problems=tuple(
            ClipProblem(clip=clip_key(clip), what=clip.problem, do=clip.problem_do)
            for clip in lesson.clips
            if clip.state is ClipState.FAILED
        ),
        media={
            clip_key(clip): (files.load if clip.sha256 in looked_at else files.locate)(clip.sha256)
            for clip in done
        },
        derived={clip_key(clip): files.derived(clip.sha256) for clip in done},
        moved={
            clip_key(clip): tuple(
                landmark
                for swing in clip.swings
                for landmark in moves_of(clip, swing.number).landmarks
            )
            for clip in done
        },
        folder=files.lesson_folder(lesson.uid),
        causes=tuple(
            CauseWish(words=one.words, at=MeasureAt.parse(one.at), way=one.way)
            for one in lesson.causes
        ),
        scatters=own_scatters(lesson),
    )


def moves_of(clip: Clip, number: int) -> Moves:
    """Gather the corrections of a swing that still stand; the last word on a point counts."""
    standing = [
        one for one in clip.corrections if one.swing_number == number and one.undone_at is None
    ]
    landmarks = {
        (one.name, one.at_s): MovedLandmark(
            keypoint=one.name, s=one.at_s, x=one.x_px or 0.0, y=one.y_px or 0.0
        )
        for one in standing
        if one.kind is CorrectionKind.LANDMARK
    }
    return Moves(
        landmarks=tuple(landmarks.values()),
        positions={
            Position(one.name): one.at_s for one in standing if one.kind is CorrectionKind.POSITION
        },
    )


def write_clip_finding(session: Session, clip: Clip, finding: ClipFinding) -> None:
    """Keep what was found in a clip, swing by swing; a swing keeps its row and its marks."""
    clip.finding = _CLIP.dump_json(finding).decode()
    clip.view = finding.view
    clip.measured_with = finding.made_with.version if finding.made_with else ""
    rows = {swing.number: swing for swing in clip.swings}
    for found in finding.swings:
        row = rows.pop(found.number, None)
        if row is None:
            row = Swing(number=found.number, finding="", numbers={})
            clip.swings.append(row)
        write_swing(row, found)
    for row in rows.values():
        clip.swings.remove(row)
    clip.state, clip.progress, clip.problem, clip.problem_do = ClipState.DONE, 1.0, "", ""
    clip.taken_by, clip.taken_until, clip.tries = "", None, 0


def write_swing(row: Swing, found: SwingFinding) -> None:
    """Keep a swing's numbers, for the page and for the time line."""
    as_analysed = raw_swing(row.clip, row.number) == found
    row.finding = "" if as_analysed else _SWING.dump_json(found).decode()
    row.numbers = _numbers(found)


def read_swing(row: Swing) -> SwingFinding:
    """Read a swing's finding as corrected, with the clip's stage as it is now."""
    found = _SWING.validate_json(row.finding) if row.finding else raw_swing(row.clip, row.number)
    return replace(
        found,
        swing_id=swing_key(row.clip, row.number),
        clip=clip_key(row.clip),
        stage=row.clip.stage,
    )


def shown_swing(row: Swing, findings: Findings | None) -> SwingFinding:
    """Give a swing as the sheet shows it: with positions that its other view may have lent."""
    own = read_swing(row)
    for clip in findings.clips if findings else ():
        for swing in clip.swings:
            if swing.swing_id == own.swing_id:
                return replace(swing, stage=own.stage)
    return own


def raw_swing(clip: Clip, number: int) -> SwingFinding:
    """Read a swing as it was analysed, before any correction."""
    finding = _CLIP.validate_json(clip.finding or "")
    return next(swing for swing in finding.swings if swing.number == number)


def write_lesson_findings(lesson: Lesson, findings: Findings) -> None:
    """Keep what was found in a lesson."""
    if lesson.finding is None:
        lesson.finding = LessonFinding(findings="")
    rows = {swing_key(clip, swing.number): swing for clip in lesson.clips for swing in clip.swings}
    # A swing's numbers are kept once; here only where another view lent it its positions.
    lent = replace(
        findings,
        clips=tuple(
            replace(
                clip,
                swings=tuple(
                    swing
                    for swing in clip.swings
                    if swing.swing_id not in rows or read_swing(rows[swing.swing_id]) != swing
                ),
            )
            for clip in findings.clips
        ),
    )
    lesson.finding.findings = FINDINGS.dump_json(lent).decode()
    keep_changes(lesson, findings)
    lesson.finding.made_at = datetime.now(UTC)
    lesson.finding.measured_with = versions_in(findings, judged=judging_version())
    for found in (swing for clip in findings.clips for swing in clip.swings):
        if found.swing_id in rows:
            rows[found.swing_id].numbers = _numbers(found)
    lesson.finding.stale = False


def read_lesson_findings(lesson: Lesson) -> Findings | None:
    """Read what was found in a lesson; None where nothing was judged yet.

    Its clips hold only the swings that differ from their rows: `whole_findings` gives all.
    """
    return None if lesson.finding is None else FINDINGS.validate_json(lesson.finding.findings)


def whole_findings(lesson: Lesson) -> Findings | None:
    """Read what was found in a lesson with every swing, as the sheet's JSON has it."""
    findings = read_lesson_findings(lesson)
    if findings is None:
        return None
    own = {clip_key(clip): _finding_now(clip).swings for clip in lesson.clips if clip.finding}
    lent = {swing.swing_id: swing for clip in findings.clips for swing in clip.swings}
    return replace(
        findings,
        clips=tuple(
            replace(
                clip,
                swings=tuple(lent.get(one.swing_id, one) for one in own.get(clip.clip, ())),
            )
            for clip in findings.clips
        ),
    )


def versions_in(findings: Findings, *, judged: str) -> str:
    """Name the versions behind a sheet in short: its clips' and, unless '', the judging's."""
    clips = {clip.made_with.version for clip in findings.clips if clip.made_with is not None}
    return ", ".join([*sorted(clips), *([judged] if judged else [])])[:VERSIONS_MAX]


def _numbers(found: SwingFinding) -> dict[str, list[float]]:
    return {at: [one.value, one.se, one.systematic] for at, one in found.values.items()}


def _finding_now(clip: Clip) -> ClipFinding:
    finding = _CLIP.validate_json(clip.finding or "")
    counted = tuple(read_swing(row) for row in clip.swings if not row.left_out)
    return replace(finding, clip=clip_key(clip), stage=clip.stage, swings=counted)
