"""The coach's words for a pack, as they stand in the record."""

from __future__ import annotations

from lessonmark.language import say, say_n
from lessonmark.lessons.record import DrillSet, Lesson
from lessonmark.pack import wording
from lessonmark.pack.coach_words import CoachWords, PlanLine

__all__ = ["words_of_record"]


def words_of_record(lesson: Lesson, *, coach: str = "", causes: tuple[str, ...] = ()) -> CoachWords:
    """Gather cues, drills with their dose, and the next date of a lesson.

    Parameters
    ----------
    causes : the chain of causes, which the record does not hold.
    """
    after = (
        say("next lesson on {day}", day=wording.day(lesson.next_on.isoformat()))
        if lesson.next_on
        else ""
    )
    return CoachWords(
        coach=coach,
        causes=causes,
        plan=tuple(PlanLine(drill=one.name, dose=_dose(one)) for one in lesson.drills),
        cues=tuple(cue.words for cue in lesson.cues),
        next_step=after,
    )


def _dose(drill: DrillSet) -> str:
    """Say the dose: the coach's own words first, then the numbers."""
    parts = [drill.dose] if drill.dose else []
    if drill.minutes:
        parts.append(say_n("{n} minute", "{n} minutes", drill.minutes))
    if drill.sets:
        parts.append(say_n("{n} set", "{n} sets", drill.sets))
    if drill.balls:
        parts.append(say_n("{n} ball", "{n} balls", drill.balls))
    return ", ".join(parts)
