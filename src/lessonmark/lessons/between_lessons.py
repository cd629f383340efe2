"""From one lesson to the next: what to film first, and the next lesson's opening swings beside the
forecast that the last one made.

Opening swings are those that the coach called a retest, else those of stage 'before': nothing was
said to the player yet that day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy import exists, false, select
from sqlalchemy.orm import Session

from lessonmark.drills.retest import RetestFocus, beside_forecast, retest_lines
from lessonmark.language import say_n
from lessonmark.lessons.arrivals import guess_stages, mark_stale
from lessonmark.lessons.judging import measure_title
from lessonmark.lessons.listing import load_lesson
from lessonmark.lessons.record import Clip, Focus, Lesson, LessonKind, Swing
from lessonmark.measures.measured import MeasureAt, Measured
from lessonmark.measures.registry import entry
from lessonmark.words import Stage, View

__all__ = ["Between", "OpeningSwings", "between", "has_earlier_focus", "set_kind"]

FORECAST_SWINGS = 2  # after-swings that a forecast takes at least
OPENING = (Stage.RETEST, Stage.BEFORE)


Values = dict[tuple[str, View, Stage], list[Measured]]


@dataclass(frozen=True, kw_only=True)
class OpeningSwings:
    """A lesson's change, looked at again by another lesson's opening swings."""

    lesson: Lesson  # the other one: the last for its retest, the next for its forecast
    lines: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Between:
    """What stands between a lesson and its neighbours."""

    lasted: OpeningSwings | None = None  # of this lesson, by the next one's swings
    retested: OpeningSwings | None = None  # of the last lesson, by this one's swings
    first_to_film: tuple[str, ...] = ()  # next time; empty before there are swings after


def between(session: Session, lesson: Lesson) -> Between:
    """Put a lesson beside the one before it and the one after it."""
    if lesson.kind is not LessonKind.LESSON:
        return Between()
    foci = _retest_foci(session, lesson)
    earlier = _neighbour(session, lesson, later=False)
    later = _neighbour(session, lesson, later=True)
    lasted = _beside(session, lesson.focus, foci, later) if later else None
    retested = None
    if earlier is not None:
        lines = _beside(session, earlier.focus, _retest_foci(session, earlier), lesson)
        retested = replace(lines, lesson=earlier) if lines else None
    having = [focus for focus in foci if focus.after]
    return Between(
        lasted=lasted,
        retested=retested,
        first_to_film=retest_lines(having) if having and lasted is None else (),
    )


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


def _retest_foci(session: Session, lesson: Lesson) -> list[RetestFocus]:
    values = _values(session, lesson, lesson.focus, (Stage.BEFORE, Stage.AFTER))
    foci = []
    for wish in lesson.focus:
        at = MeasureAt.parse(wish.at)
        foci.append(
            RetestFocus(
                name=measure_title(entry(at.measure), at),
                unit=entry(at.measure).unit,
                view=wish.view,
                before=tuple(values.get((wish.at, wish.view, Stage.BEFORE), ())),
                after=tuple(values.get((wish.at, wish.view, Stage.AFTER), ())),
            )
        )
    return foci


def _beside(
    session: Session, wishes: Sequence[Focus], foci: Sequence[RetestFocus], shown: Lesson
) -> OpeningSwings | None:
    values = _values(session, shown, wishes, OPENING)
    lines = []
    for wish, focus in zip(wishes, foci, strict=True):
        swings: Sequence[Measured] = ()
        for stage in OPENING:
            swings = swings or values.get((wish.at, wish.view, stage), ())
        if swings and len(focus.after) >= FORECAST_SWINGS:
            count = say_n("{n} opening swing.", "{n} opening swings.", len(swings))
            lines.append(f"{beside_forecast(focus, swings)} {count}")
    return OpeningSwings(lesson=shown, lines=tuple(lines)) if lines else None


def _values(
    session: Session, lesson: Lesson, wishes: Sequence[Focus], stages: Sequence[Stage]
) -> Values:
    """Read a few measures of a lesson's counted swings in one go, in the order played.

    A length in hundredths of the torso is left out where the measure is one of centimetres.
    """
    keys = list(dict.fromkeys(wish.at for wish in wishes))
    if not keys:
        return {}
    lengths = {key for key in keys if entry(MeasureAt.parse(key).measure).unit == "cm"}
    unscaled = Clip.finding.contains('"scale":null') if lengths else false()
    # Single values out of the row's JSON: all of a swing's numbers would take longer to read.
    rows = session.execute(
        select(Clip.stage, Clip.view, unscaled, *(Swing.numbers[key] for key in keys))
        .join(Clip, Clip.id == Swing.clip_id)
        .where(Clip.lesson_id == lesson.id, Clip.stage.in_(stages), Swing.left_out == "")
        .order_by(Clip.filmed_at, Swing.number)
    )
    values: Values = {}
    for stage, view, is_unscaled, *numbers in rows:
        for key, found in zip(keys, numbers, strict=True):
            if found is not None and not (is_unscaled and key in lengths):
                value, se, systematic = found
                one = Measured(value=value, se=se, systematic=systematic)
                values.setdefault((key, view, stage), []).append(one)
    return values
