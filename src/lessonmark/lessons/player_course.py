"""A measure over all of a player's lessons: what the lasting picture and its words stand on."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import and_, select
from sqlalchemy.orm import Session

from lessonmark.evidence.change import Change
from lessonmark.evidence.compare import adjust_focus, compare
from lessonmark.evidence.course import DatedSet, DrillMark, MeasureCourse, measure_course
from lessonmark.evidence.lasting import Retention, retention
from lessonmark.evidence.scatter import population_prior
from lessonmark.lessons.judging import measure_title
from lessonmark.lessons.kept_changes import read_change
from lessonmark.lessons.record import (
    Clip,
    DrillSet,
    Focus,
    Lesson,
    LessonKind,
    Swing,
    TargetWindow,
)
from lessonmark.measures.measured import MeasureAt, Measured
from lessonmark.measures.measuring import unit_of
from lessonmark.measures.registry import entry
from lessonmark.words import Stage, View

__all__ = [
    "CourseChoice",
    "LessonSets",
    "PlayerCourse",
    "course_choices",
    "lesson_sets",
    "player_course",
    "retention_after",
    "set_target",
]

_OPENING = (Stage.RETEST, Stage.BEFORE)  # a later day's swings before anything was said


@dataclass(frozen=True, kw_only=True)
class CourseChoice:
    """A measure that was a focus of this player."""

    at: str
    view: View
    direction: str


@dataclass(frozen=True, kw_only=True)
class LessonSets:
    """One measure's swings in one lesson or practice, stage by stage."""

    lesson_id: int
    when: datetime
    kind: LessonKind
    stages: Mapping[Stage, tuple[Measured, ...]]
    swing_ids: Mapping[Stage, tuple[int, ...]]
    scaled: bool  # False: lengths are in hundredths of the torso


@dataclass(frozen=True, kw_only=True)
class PlayerCourse:
    """A measure over time, with what the picture links to and what the words say."""

    at: MeasureAt
    view: View
    course: MeasureCourse
    swing_ids: tuple[tuple[int, ...], ...]  # one a dot, set by set as in `course`
    retention: Retention | None  # of the last lesson that has a later day's swings
    waiting: bool  # the newest lesson's change has no later day's swings yet
    left_out: int  # sets in another unit: no scale in centimetres there


def course_choices(session: Session, player_id: int) -> tuple[CourseChoice, ...]:
    """List every measure that was ever a focus of this player, the latest named first."""
    choices: dict[tuple[str, View], CourseChoice] = {}
    for at, view, direction in session.execute(
        select(Focus.at, Focus.view, Focus.direction)
        .join(Lesson, Lesson.id == Focus.lesson_id)
        .where(Lesson.player_id == player_id)
        .order_by(Lesson.started_at.desc(), Focus.rank)
    ):
        choices.setdefault((at, view), CourseChoice(at=at, view=view, direction=direction))
    return tuple(choices.values())


def lesson_sets(
    session: Session, player_id: int, at: MeasureAt, view: View
) -> tuple[LessonSets, ...]:
    """Read one measure of all of a player's counted swings, by lesson and stage, in time."""
    unscaled = Clip.finding.contains('"scale":null')
    rows = session.execute(
        select(
            Lesson.id,
            Lesson.started_at,
            Lesson.kind,
            Clip.stage,
            Swing.id,
            Swing.numbers[str(at)],
            *((unscaled,) if entry(at.measure).unit == "cm" else ()),
        )
        .join(Clip, Clip.lesson_id == Lesson.id)
        .join(Swing, and_(Swing.clip_id == Clip.id, Swing.left_out == ""))
        .where(Lesson.player_id == player_id, Clip.view == view)
        .order_by(Lesson.started_at, Lesson.id, Clip.filmed_at, Swing.number)
    )
    lessons: dict[tuple[int, bool], dict[str, object]] = {}
    stages: dict[tuple[int, bool], dict[Stage, list[tuple[int, Measured]]]] = {}
    for lesson_id, when, kind, stage, swing_id, numbers, *without in rows:
        if numbers is None:
            continue
        value, se, systematic = numbers
        key = (lesson_id, not (without and without[0]))
        lessons.setdefault(key, {"when": when, "kind": kind})
        stages.setdefault(key, {}).setdefault(stage, []).append(
            (swing_id, Measured(value=value, se=se, systematic=systematic))
        )
    return tuple(
        LessonSets(
            lesson_id=key[0],
            scaled=key[1],
            stages={s: tuple(m for _, m in stages[key][s]) for s in Stage if s in stages[key]},
            swing_ids={s: tuple(i for i, _ in stages[key][s]) for s in Stage if s in stages[key]},
            **about,  # type: ignore[arg-type]
        )
        for key, about in lessons.items()
    )


def player_course(session: Session, player_id: int, at: MeasureAt, view: View) -> PlayerCourse:
    """Put a measure's course together.

    Raises
    ------
    KeyError : no measure of that name.
    """
    every = lesson_sets(session, player_id, at, view)
    # Centimetres and hundredths of the torso never share an axis: the newest lesson's unit stays.
    scaled = every[-1].scaled if every else False
    kept = [one for one in every if one.scaled == scaled]
    unit = unit_of(entry(at.measure), scaled=scaled)
    sets = [(one, stage) for one in kept for stage in one.stages]
    course = measure_course(
        [DatedSet(when=one.when, stage=s, swings=one.stages[s]) for one, s in sets],
        name=measure_title(entry(at.measure), at),
        unit=unit,
        target=_target(session, player_id, at, view),
        drills=_drill_marks(session, player_id),
        prior=population_prior(unit),
    )
    judged = [one for one in kept if {Stage.BEFORE, Stage.AFTER} <= one.stages.keys()]
    changes = _changes(session, player_id, at, view)
    found = [(one, retention_after(one, kept, changes.get(one.lesson_id), unit)) for one in judged]
    return PlayerCourse(
        at=at,
        view=view,
        course=course,
        swing_ids=tuple(one.swing_ids[s] for one, s in sets),
        retention=next((held for _, held in reversed(found) if held is not None), None),
        waiting=bool(found) and found[-1][1] is None,
        left_out=sum(len(one.stages) for one in every if one.scaled != scaled),
    )


def retention_after(
    lesson: LessonSets, lessons: Sequence[LessonSets], change: Change | None, unit: str
) -> Retention | None:
    """Judge what the first later day's opening swings show of a lesson's change.

    Parameters
    ----------
    lesson : has swings before and after.
    lessons : all of the player's, in time; a practice's and a drill's swings are never a retest.
    change : as the lesson's findings decided it; None compares this measure alone, the camera
        taken as moved.

    Returns
    -------
    Retention or None : None while no later day has such swings.
    """
    later = next(
        (
            (other.when, other.stages[stage])
            for other in lessons
            if other.when > lesson.when
            for stage in _OPENING
            if stage in other.stages and (stage is Stage.RETEST or _is_lesson(other))
        ),
        None,
    )
    if later is None:
        return None
    before, after = lesson.stages[Stage.BEFORE], lesson.stages[Stage.AFTER]
    if change is None:
        alone = compare(
            before,
            after,
            smallest_worth=0.0,
            direction="",
            camera_moved=True,
            scatter=population_prior(unit),
        )
        change = adjust_focus([alone])[0]
    return retention(
        change,
        before,
        after,
        later[1],
        since=later[0] - lesson.when,
        camera_moved=bool(change.camera_part),
    )


def set_target(
    session: Session,
    player_id: int,
    at: MeasureAt,
    view: View,
    low: float | None,
    high: float | None,
) -> None:
    """Set a player's target window for a measure; both ends None takes it away.

    Raises
    ------
    ValueError : the low end is not below the high one.
    """
    if low is not None and high is not None and not low < high:
        raise ValueError(f"a target window's low lies below its high, got {low} and {high}")
    row = _target_row(session, player_id, at, view)
    if low is None and high is None:
        if row is not None:
            session.delete(row)
    elif row is None:
        session.add(TargetWindow(player_id=player_id, at=str(at), view=view, low=low, high=high))
    else:
        row.low, row.high = low, high


def _is_lesson(lesson: LessonSets) -> bool:
    return lesson.kind is LessonKind.LESSON


def _changes(session: Session, player_id: int, at: MeasureAt, view: View) -> dict[int, Change]:
    rows = session.scalars(
        select(Focus)
        .join(Lesson, Lesson.id == Focus.lesson_id)
        .where(Lesson.player_id == player_id, Focus.at == str(at), Focus.view == view)
    )
    changes = {row.lesson_id: read_change(row) for row in rows}
    return {lesson_id: change for lesson_id, change in changes.items() if change is not None}


def _target_row(session: Session, player_id: int, at: MeasureAt, view: View) -> TargetWindow | None:
    return session.scalar(
        select(TargetWindow).where(
            TargetWindow.player_id == player_id,
            TargetWindow.at == str(at),
            TargetWindow.view == view,
        )
    )


def _target(
    session: Session, player_id: int, at: MeasureAt, view: View
) -> tuple[float, float] | None:
    row = _target_row(session, player_id, at, view)
    if row is None:
        return None
    return (
        -math.inf if row.low is None else row.low,
        math.inf if row.high is None else row.high,
    )


def _drill_marks(session: Session, player_id: int) -> list[DrillMark]:
    rows = session.execute(
        select(Lesson.started_at, DrillSet.set_on, DrillSet.name)
        .join(Lesson, Lesson.id == DrillSet.lesson_id)
        .where(Lesson.player_id == player_id)
        .order_by(Lesson.started_at, DrillSet.rank)
    )
    return [
        DrillMark(
            when=started_at
            if set_on is None or set_on == started_at.astimezone().date()
            else datetime.combine(set_on, started_at.astimezone().timetz()),
            name=name,
        )
        for started_at, set_on, name in rows
    ]
