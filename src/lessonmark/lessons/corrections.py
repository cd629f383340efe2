"""Corrections by hand: kept, marked, undoable, and followed at once by the numbers."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from itertools import pairwise

from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.analyser import Analyser, Moves
from lessonmark.lessons.files import FileStore
from lessonmark.lessons.jobs import (
    clip_job,
    lesson_job,
    moves_of,
    raw_swing,
    write_lesson_findings,
    write_swing,
)
from lessonmark.lessons.record import Correction, CorrectionKind, Lesson, Swing
from lessonmark.words import Position

__all__ = ["judge_again", "move_landmark", "move_position", "remeasure", "undo_last"]


def move_landmark(
    session: Session,
    files: FileStore,
    analyser: Analyser,
    swing: Swing,
    *,
    keypoint: str,
    at_s: float,
    x_px: float,
    y_px: float,
) -> None:
    """Put a landmark of one frame somewhere else and measure the swing again.

    Raises
    ------
    RecordError : a number that is none, or a landmark that the track does not have.
    """
    _finite(at_s, x_px, y_px)
    look = analyser.look(clip_job(files, swing.clip), raw_swing(swing.clip, swing.number), Moves())
    if keypoint not in look.paths:
        raise RecordError(
            say("there is no landmark of that name in this swing"), do=say("reload the page")
        )
    _add(
        swing,
        Correction(
            swing_number=swing.number,
            kind=CorrectionKind.LANDMARK,
            name=keypoint,
            at_s=at_s,
            x_px=x_px,
            y_px=y_px,
        ),
    )
    session.flush()
    remeasure(files, analyser, swing)
    judge_again(files, analyser, swing.clip.lesson)


def move_position(
    session: Session,
    files: FileStore,
    analyser: Analyser,
    swing: Swing,
    *,
    position: Position,
    at_s: float,
) -> None:
    """Put a position at another moment and measure the swing again.

    Raises
    ------
    RecordError : a number that is none, or the positions would no longer follow each other.
    """
    _finite(at_s)
    moves = moves_of(swing.clip, swing.number)
    raw = raw_swing(swing.clip, swing.number)
    times = {p: found.time.s for p, found in raw.positions.found.items()}
    times |= {**moves.positions, position: at_s}
    in_order = [times[p] for p in Position if p in times]
    if any(later <= earlier for earlier, later in pairwise(in_order)):
        raise RecordError(
            say("{position} must stay between its neighbours", position=position.value),
            do=say("move the neighbour first"),
        )
    _add(
        swing,
        Correction(
            swing_number=swing.number,
            kind=CorrectionKind.POSITION,
            name=position.value,
            at_s=at_s,
        ),
    )
    session.flush()
    remeasure(files, analyser, swing)
    judge_again(files, analyser, swing.clip.lesson)


def undo_last(
    session: Session, files: FileStore, analyser: Analyser, swing: Swing
) -> Correction | None:
    """Take the last correction of a swing back; None where there is none."""
    standing = [
        one
        for one in swing.clip.corrections
        if one.swing_number == swing.number and one.undone_at is None
    ]
    if not standing:
        return None
    standing[-1].undone_at = datetime.now(UTC)
    session.flush()
    remeasure(files, analyser, swing)
    judge_again(files, analyser, swing.clip.lesson)
    return standing[-1]


def remeasure(files: FileStore, analyser: Analyser, swing: Swing) -> None:
    """Measure a swing with the corrections that stand; as analysed where none does."""
    raw = raw_swing(swing.clip, swing.number)
    moves = moves_of(swing.clip, swing.number)
    if moves.landmarks or moves.positions:
        raw = analyser.measure_again(clip_job(files, swing.clip), raw, moves)
    write_swing(swing, raw)


def judge_again(files: FileStore, analyser: Analyser, lesson: Lesson) -> None:
    """Make the lesson's verdicts anew; pictures follow from the background."""
    write_lesson_findings(lesson, analyser.analyse_lesson(lesson_job(files, lesson)))
    if lesson.finding is not None:
        lesson.finding.stale = True  # its pictures still show the old lines


def _add(swing: Swing, correction: Correction) -> None:
    swing.clip.corrections.append(correction)


def _finite(*numbers: float) -> None:
    if not all(math.isfinite(number) for number in numbers):
        raise RecordError(say("a place needs finite numbers"), do=say("reload the page"))
