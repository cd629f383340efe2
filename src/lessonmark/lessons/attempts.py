"""Attempts at a drill's checkpoint, judged from the record's own swings and kept in it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import ColumnElement, and_, select
from sqlalchemy.orm import Session

from lessonmark.drills.checkpoint import CheckpointResult, Met, judge_checkpoint
from lessonmark.drills.library import Checkpoint, Drill
from lessonmark.errors import RecordError
from lessonmark.evidence.compare import FEWEST_SWINGS
from lessonmark.language import say
from lessonmark.lessons.record import (
    Attempt,
    AttemptOutcome,
    Clip,
    DrillSet,
    Lesson,
    LessonKind,
    Swing,
)
from lessonmark.measures.measured import MeasureAt, Measured
from lessonmark.measures.registry import entry
from lessonmark.words import Stage, View

__all__ = [
    "attempt_outcome",
    "drills_to_try",
    "keep_attempt",
    "keep_result",
    "outcome_word",
    "stage_swings",
]

_TRIED = (Stage.PRACTICE, Stage.DRILL)  # where a drill's own swings are


def attempt_outcome(checkpoint: Checkpoint, result: CheckpointResult) -> AttemptOutcome:
    """Read off what became of an attempt; close calls decide nothing, either way."""
    if result.outcome is Met.TOO_FEW:
        return AttemptOutcome.TOO_FEW
    if result.surely >= checkpoint.met:
        return AttemptOutcome.MET
    missed = sum(not swing.met and not swing.too_close for swing in result.swings)
    if missed > checkpoint.of - checkpoint.met:
        return AttemptOutcome.NOT_MET
    return AttemptOutcome.TOO_CLOSE


def outcome_word(outcome: AttemptOutcome) -> str:
    """Say an outcome."""
    match outcome:
        case AttemptOutcome.MET:
            return say("met")
        case AttemptOutcome.NOT_MET:
            return say("not met")
        case AttemptOutcome.TOO_CLOSE:
            return say("too close to tell")
        case AttemptOutcome.TOO_FEW:
            return say("too few swings")


def keep_attempt(session: Session, lesson: Lesson, drill: Drill, *, at: datetime) -> Attempt:
    """Judge a drill's checkpoint by the swings of a lesson or practice and keep the outcome.

    The swings are those of stage 'practice' or 'drill', seen from the checkpoint's side; a bar that
    hangs on the player's own before is taken from the last lesson up to that day. An attempt at
    the same drill in the same lesson takes the place of the earlier one.

    Raises
    ------
    RecordError : no such swing was measured.
    CannotMeasure : the checkpoint hangs on swings before, and there are too few.
    """
    checkpoint = drill.checkpoint
    tried = stage_swings(session, lesson.id, _TRIED, checkpoint.at, checkpoint.view)
    if not tried:
        raise RecordError(
            say("no swing of this drill was measured"),
            do=say("bring in clips of stage 'practice' or 'drill', filmed from the drill's side"),
        )
    result = judge_checkpoint(checkpoint, tried, _own_before(session, lesson, checkpoint))
    return keep_result(lesson, drill, result, at=at)


def keep_result(lesson: Lesson, drill: Drill, result: CheckpointResult, *, at: datetime) -> Attempt:
    """Keep what became of an attempt that was judged elsewhere, in place of an earlier one."""
    checkpoint = drill.checkpoint
    kept = Attempt(
        at=at,
        drill=drill.id,
        name=drill.said().name,
        checkpoint=f"{checkpoint.measure} {checkpoint.comparison} {checkpoint.value:g}",
        swings=len(result.swings),
        met=result.met,
        too_close=result.too_close,
        outcome=attempt_outcome(checkpoint, result),
    )
    lesson.attempts = [one for one in lesson.attempts if one.drill != drill.id]
    lesson.attempts.append(kept)
    return kept


def stage_swings(
    session: Session, lesson_id: int, stages: Sequence[Stage], at: MeasureAt, view: View
) -> tuple[Measured, ...]:
    """Read one measure of a lesson's counted swings, in the order played.

    A length in hundredths of the torso is left out where the measure is one of centimetres: the
    two are not the same unit.
    """
    rows = session.execute(
        select(Swing.numbers)
        .join(Clip, and_(Clip.id == Swing.clip_id, Clip.lesson_id == lesson_id))
        .where(Swing.left_out == "", Clip.stage.in_(stages), Clip.view == view, *_scaled_for(at))
        .order_by(Clip.filmed_at, Swing.number)
    )
    return tuple(
        Measured(value=value, se=se, systematic=systematic)
        for (numbers,) in rows
        if str(at) in numbers
        for value, se, systematic in [numbers[str(at)]]
    )


def drills_to_try(session: Session, lesson: Lesson) -> tuple[str, ...]:
    """List the ids of the library's drills that were set by then, the newest lesson's first."""
    rows = session.scalars(
        select(DrillSet.drill)
        .join(Lesson, Lesson.id == DrillSet.lesson_id)
        .where(
            Lesson.player_id == lesson.player_id,
            Lesson.started_at <= lesson.started_at,
            DrillSet.drill != "",
        )
        .order_by(Lesson.started_at.desc(), DrillSet.rank)
    )
    return tuple(dict.fromkeys(rows))


def _scaled_for(at: MeasureAt) -> tuple[ColumnElement[bool], ...]:
    is_length = entry(at.measure).unit == "cm"
    return (Clip.finding.contains('"scale":null').is_(False),) if is_length else ()


def _own_before(session: Session, lesson: Lesson, checkpoint: Checkpoint) -> tuple[Measured, ...]:
    """Take the before-swings of the newest lesson that has enough of them."""
    lessons = session.scalars(
        select(Lesson.id)
        .where(
            Lesson.player_id == lesson.player_id,
            Lesson.kind == LessonKind.LESSON,
            Lesson.started_at <= lesson.started_at,
        )
        .order_by(Lesson.started_at.desc())
    )
    for lesson_id in lessons:
        found = stage_swings(session, lesson_id, (Stage.BEFORE,), checkpoint.at, checkpoint.view)
        if len(found) >= FEWEST_SWINGS:
            return found
    return ()
