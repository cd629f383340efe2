"""What the record holds of each drill over a coach's players: results, and how often it worked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session, selectinload

from lessonmark.drills.library import Drill
from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.drill_effect import DrillEffect, DrillResult, drill_effects
from lessonmark.evidence.drill_outcome import drill_result
from lessonmark.evidence.lasting import Retention
from lessonmark.language import say
from lessonmark.lessons.judging import measure_title
from lessonmark.lessons.kept_changes import read_change
from lessonmark.lessons.player_course import LessonSets, lesson_sets, retention_after
from lessonmark.lessons.record import (
    Attempt,
    AttemptOutcome,
    Focus,
    Lesson,
    LessonFinding,
    LessonKind,
    Player,
)
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.measuring import unit_of
from lessonmark.measures.registry import entry
from lessonmark.words import Stage, View

__all__ = [
    "DrillAttempts",
    "DrillRow",
    "attempts_sentence",
    "drill_record",
    "drill_results",
    "record_state",
]


@dataclass(frozen=True, kw_only=True)
class DrillAttempts:
    """Tries at a drill's checkpoint over all players."""

    met: int
    not_met: int
    too_close: int
    too_few: int


@dataclass(frozen=True, kw_only=True)
class DrillRow:
    """One drill on one measure, over the coach's players."""

    drill: str  # plain name
    measure: str  # plain name
    view: View
    effect: DrillEffect
    attempts: DrillAttempts | None  # None: nobody tried its checkpoint


def drill_record(session: Session, library: Sequence[Drill]) -> tuple[DrillRow, ...]:
    """Estimate how each drill of the library does on what it was set for.

    Returns
    -------
    tuple of DrillRow : those with a number first, then those that are refused; by name.
    """
    names = {drill.id: drill.said().name for drill in library}
    effects = drill_effects(drill_results(session, library))
    attempts = _attempts(session)
    rows = []
    for effect in effects:
        view, _, at = effect.measure.partition(" ")
        where = MeasureAt.parse(at)
        rows.append(
            DrillRow(
                drill=names.get(effect.drill, effect.drill),
                measure=measure_title(entry(where.measure), where),
                view=View(view),
                effect=effect,
                attempts=attempts.get(effect.drill),
            )
        )
    return tuple(sorted(rows, key=lambda row: (row.effect.moved is None, row.drill, row.measure)))


def drill_results(session: Session, library: Sequence[Drill]) -> tuple[DrillResult, ...]:
    """Read off what each drill of the library did in each lesson that it was set in.

    Only the focus measures that the drill is meant to move count, seen from the side that its
    file names. Two drills of one lesson share its change: nothing tells them apart there.
    """
    meant = {
        drill.id: {(change.at.measure, change.view) for change in drill.changes}
        for drill in library
    }
    lessons = session.scalars(
        select(Lesson)
        .join(Player, Player.id == Lesson.player_id)
        .where(
            Lesson.kind == LessonKind.LESSON,
            Player.erasing_since.is_(None),
            Lesson.drills.any(),
            Lesson.focus.any(Focus.change.is_not(None)),
        )
        .order_by(Lesson.player_id, Lesson.started_at)
        .options(selectinload(Lesson.drills), selectinload(Lesson.focus))
    )
    sets = _Sets(session)
    results = []
    for lesson in lessons:
        for focus in lesson.focus:
            change, at = read_change(focus), MeasureAt.parse(focus.at)
            if change is None:
                continue
            drills = dict.fromkeys(
                one.drill
                for one in lesson.drills
                if (at.measure, focus.view) in meant.get(one.drill, ())
            )
            held = sets.retention(lesson, at, focus.view, change) if drills else None
            results += [
                drill_result(
                    change,
                    held,
                    player=str(lesson.player_id),
                    drill=drill,
                    measure=f"{focus.view} {at}",
                )
                for drill in drills
            ]
    return tuple(results)


def attempts_sentence(attempts: DrillAttempts) -> str:
    """Say how the tries at a drill's checkpoint came out."""
    return say(
        "Its checkpoint: met {met} times, not met {not_met}, too close to tell {too_close}, too "
        "few swings {too_few}.",
        met=attempts.met,
        not_met=attempts.not_met,
        too_close=attempts.too_close,
        too_few=attempts.too_few,
    )


def record_state(session: Session) -> tuple[object, ...]:
    """Give what changes whenever the drills' record may have changed, to know when to look anew."""
    findings = select(func.count(LessonFinding.made_at), func.max(LessonFinding.made_at))
    attempts = select(func.count(), func.max(Attempt.at)).select_from(Attempt)
    return (*session.execute(findings).one(), *session.execute(attempts).one())


class _Sets:
    """A player's swings of a measure, read once for all their lessons."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._kept: dict[tuple[MeasureAt, View], tuple[LessonSets, ...]] = {}
        self._player = -1

    def retention(
        self, lesson: Lesson, at: MeasureAt, view: View, change: Change
    ) -> Retention | None:
        """Judge what stayed of a change; None where it did not change or nobody looked again."""
        if change.verdict is not Verdict.CHANGED:
            return None
        if lesson.player_id != self._player:
            self._player, self._kept = lesson.player_id, {}
        if (at, view) not in self._kept:
            self._kept[at, view] = lesson_sets(self._session, self._player, at, view)
        every = self._kept[at, view]
        mine = next((one for one in every if one.lesson_id == lesson.id), None)
        if mine is None or not {Stage.BEFORE, Stage.AFTER} <= mine.stages.keys():
            return None
        same = [one for one in every if one.scaled == mine.scaled]
        return retention_after(mine, same, change, unit_of(entry(at.measure), scaled=mine.scaled))


def _attempts(session: Session) -> dict[str, DrillAttempts]:
    counted: dict[str, dict[AttemptOutcome, int]] = defaultdict(dict)
    for drill, outcome, count in session.execute(
        select(Attempt.drill, Attempt.outcome, func.count()).group_by(
            Attempt.drill, Attempt.outcome
        )
    ):
        counted[drill][outcome] = count
    return {
        drill: DrillAttempts(
            met=found.get(AttemptOutcome.MET, 0),
            not_met=found.get(AttemptOutcome.NOT_MET, 0),
            too_close=found.get(AttemptOutcome.TOO_CLOSE, 0),
            too_few=found.get(AttemptOutcome.TOO_FEW, 0),
        )
        for drill, found in counted.items()
    }
