"""The practice planned after a lesson: made from the drills set, kept as it was handed out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from pydantic import TypeAdapter

from lessonmark.drills.dose import Wish
from lessonmark.drills.library import Drill, find_drill
from lessonmark.drills.plan import PracticePlan, plan_practice
from lessonmark.errors import RecordError
from lessonmark.language import SOURCE_LANGUAGE, say, speaking
from lessonmark.lessons.record import Lesson, PlannedPractice
from lessonmark.lessons.record_base import now

__all__ = ["PlanTime", "plan_lesson", "read_plan"]

_PLAN: TypeAdapter[PracticePlan] = TypeAdapter(PracticePlan)


@dataclass(frozen=True, kw_only=True)
class PlanTime:
    """What the player has until the next lesson."""

    start: date
    minutes_a_week: int
    days_a_week: int
    sport_hours_a_week: float = 0.0
    lay_off: bool = False
    back: bool = False


def plan_lesson(lesson: Lesson, library: Sequence[Drill], time: PlanTime) -> PracticePlan:
    """Plan the practice with the lesson's drills and keep it; an earlier plan gives way.

    Raises
    ------
    RecordError : no drill of the library is set, the next lesson has no day after the start, or
        there is too little time.
    """
    drills = [find_drill(library, one.drill) for one in lesson.drills if one.drill]
    if not drills:
        raise RecordError(
            say("a plan needs a drill of the library"),
            do=say("set one on this page first; drills in your own words have no dose to plan by"),
        )
    if lesson.next_on is None or lesson.next_on <= time.start:
        raise RecordError(
            say("a plan needs the day of the next lesson"),
            do=say("enter it with the drills; it comes after the start"),
        )
    wish = Wish(
        start=time.start,
        next_lesson=lesson.next_on,
        minutes_a_week=time.minutes_a_week,
        days_a_week=time.days_a_week,
        birth_year=lesson.player.birth_year,
        sport_hours_a_week=time.sport_hours_a_week,
        lay_off=time.lay_off,
        back=time.back,
    )
    plan = plan_practice(drills, wish)  # what is wrong with the wish is said as the coach reads
    with speaking(SOURCE_LANGUAGE):  # kept as findings are: from there it can be said in any
        stored = plan_practice(drills, wish)
    if lesson.planned is None:
        lesson.planned = PlannedPractice(starts_on=time.start, next_on=plan.next_lesson, plan="")
    kept = lesson.planned
    kept.made_at, kept.starts_on, kept.next_on = now(), time.start, plan.next_lesson
    kept.plan = _PLAN.dump_json(stored).decode()
    return plan


def read_plan(lesson: Lesson) -> PracticePlan | None:
    """Read the plan as it was handed out, in English; None where there is none."""
    return None if lesson.planned is None else _PLAN.validate_json(lesson.planned.plan)
