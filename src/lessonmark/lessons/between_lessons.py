"""From one lesson to the next: what to film first, and the next lesson's opening swings beside the
forecast that the last one made.

Opening swings are those that the coach called a retest, else those of stage 'before': nothing was
said to the player yet that day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import exists, select
from sqlalchemy.orm import Session

from lessonmark.drills.retest import RetestFocus, beside_forecast, retest_lines
from lessonmark.language import say_n
from lessonmark.lessons.arrivals import guess_stages, mark_stale
from lessonmark.lessons.attempts import stage_swings
from lessonmark.lessons.judging import measure_title
from lessonmark.lessons.listing import load_lesson
from lessonmark.lessons.record import Focus, Lesson, LessonKind
from lessonmark.measures.measured import MeasureAt, Measured
from lessonmark.measures.registry import entry
from lessonmark.words import Stage

__all__ = ["OpeningSwings", "first_to_film", "has_earlier_focus", "opening_swings", "set_kind"]

FORECAST_SWINGS = 2  # after-swings that a forecast takes at least
OPENING = (Stage.RETEST, Stage.BEFORE)


@dataclass(frozen=True, kw_only=True)
class OpeningSwings:
    """A lesson's change, looked at again by another lesson's opening swings."""

    lesson: Lesson  # the other one: the last for its retest, the next for its forecast
    lines: tuple[str, ...]


def first_to_film(session: Session, lesson: Lesson) -> tuple[str, ...]:
    """Say what to film first at the next lesson; nothing before there are swings after."""
    foci = [_retest_focus(session, lesson, wish) for wish in lesson.focus]
    if not any(focus.after for focus in foci):
        return ()
    return retest_lines([focus for focus in foci if focus.after])


def opening_swings(session: Session, lesson: Lesson, *, later: bool) -> OpeningSwings | None:
    """Put one lesson's focus beside another's opening swings.

    Parameters
    ----------
    later : of this lesson, beside the next one's swings; else the last lesson's, beside this one's.

    Returns
    -------
    OpeningSwings or None : None where there is no such lesson, or nothing to put beside.
    """
    if lesson.kind is not LessonKind.LESSON:
        return None
    other = _neighbour(session, lesson, later=later)
    if other is None:
        return None
    said, shown = (lesson, other) if later else (other, lesson)
    lines = []
    for wish in said.focus:
        focus = _retest_focus(session, said, wish)
        swings = _opening(session, shown, wish)
        if swings and len(focus.after) >= FORECAST_SWINGS:
            lines.append(
                beside_forecast(focus, swings)
                + " "
                + say_n("{n} opening swing.", "{n} opening swings.", len(swings))
            )
    return OpeningSwings(lesson=other, lines=tuple(lines)) if lines else None


def has_earlier_focus(session: Session, lesson: Lesson) -> bool:
    """Whether an earlier lesson of this player had a focus: then opening swings can be a retest."""
    return bool(
        session.scalar(
            select(
                exists().where(
                    Lesson.player_id == lesson.player_id,
                    Lesson.started_at < lesson.started_at,
                    Lesson.kind == LessonKind.LESSON,
                    Focus.lesson_id == Lesson.id,
                )
            )
        )
    )


def set_kind(session: Session, lesson_id: int, kind: LessonKind) -> Lesson:
    """Say that clips are a lesson, or practice between lessons; stages by hand stay."""
    lesson = load_lesson(session, lesson_id)
    if lesson.kind is not kind:
        lesson.kind = kind
        guess_stages(lesson)
        mark_stale(lesson)
    return lesson


def _neighbour(session: Session, lesson: Lesson, *, later: bool) -> Lesson | None:
    moment = Lesson.started_at
    query = select(Lesson).where(
        Lesson.player_id == lesson.player_id, Lesson.kind == LessonKind.LESSON
    )
    if later:
        query = query.where(moment > lesson.started_at).order_by(moment)
    else:
        query = query.where(
            moment < lesson.started_at, exists().where(Focus.lesson_id == Lesson.id)
        ).order_by(moment.desc())
    return session.scalar(query.limit(1))


def _retest_focus(session: Session, lesson: Lesson, wish: Focus) -> RetestFocus:
    at = MeasureAt.parse(wish.at)

    def swings(stage: Stage) -> tuple[Measured, ...]:
        return stage_swings(session, lesson.id, (stage,), at, wish.view)

    return RetestFocus(
        name=measure_title(entry(at.measure), at),
        unit=entry(at.measure).unit,
        view=wish.view,
        before=swings(Stage.BEFORE),
        after=swings(Stage.AFTER),
    )


def _opening(session: Session, lesson: Lesson, wish: Focus) -> Sequence[Measured]:
    at = MeasureAt.parse(wish.at)
    for stage in OPENING:
        swings = stage_swings(session, lesson.id, (stage,), at, wish.view)
        if swings:
            return swings
    return ()
