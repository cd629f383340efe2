"""The coach's words for a pack: from the record, and from the drill library."""

from __future__ import annotations

from collections.abc import Iterable

from lessonmark.drills.library import Drill, caution_sentences, cautions_of_its_own
from lessonmark.drills.wording import checkpoint_sentence, dose_sentence
from lessonmark.language import say, say_n
from lessonmark.lessons.record import DrillSet, Lesson
from lessonmark.pack import wording
from lessonmark.pack.coach_words import CoachWords, PlanLine

__all__ = ["plan_line", "words_of_record"]


def words_of_record(
    lesson: Lesson,
    *,
    drills: Iterable[Drill] = (),
    coach: str = "",
    causes: tuple[str, ...] = (),
) -> CoachWords:
    """Gather cues, drills with their dose, and the next date of a lesson.

    Parameters
    ----------
    drills : the library; a drill that was chosen from it brings its cue, checkpoint and cautions.
    causes : the chain of causes, first cause first.
    """
    known = {drill.id: drill for drill in drills}
    after = (
        say("next lesson on {day}", day=wording.day(lesson.next_on.isoformat()))
        if lesson.next_on
        else ""
    )
    return CoachWords(
        coach=coach,
        causes=causes,
        plan=tuple(_line(one, known.get(one.drill)) for one in lesson.drills),
        cues=tuple(cue.words for cue in lesson.cues),
        next_step=after,
    )


def plan_line(drill: Drill, *, dose: str = "") -> PlanLine:
    """Write a drill of the library as a line of the plan, its cautions beside it.

    Parameters
    ----------
    dose : the coach's own; empty takes the library's.
    """
    words = drill.said()
    return PlanLine(
        drill=words.name,
        dose=dose or dose_sentence(drill.dose),
        cue=words.cue.rstrip("."),
        checkpoint=checkpoint_sentence(drill.checkpoint),
        cautions=caution_sentences(drill),
        cautions_of_its_own=cautions_of_its_own(drill),
    )


def _line(one: DrillSet, drill: Drill | None) -> PlanLine:
    dose = _own_dose(one)
    return PlanLine(drill=one.name, dose=dose) if drill is None else plan_line(drill, dose=dose)


def _own_dose(drill: DrillSet) -> str:
    """Say the dose: the coach's own words first, then the numbers."""
    parts = [drill.dose] if drill.dose else []
    if drill.minutes:
        parts.append(say_n("{n} minute", "{n} minutes", drill.minutes))
    if drill.sets:
        parts.append(say_n("{n} set", "{n} sets", drill.sets))
    if drill.balls:
        parts.append(say_n("{n} ball", "{n} balls", drill.balls))
    return ", ".join(parts)
