"""The cautions that stand beside every instruction (DESIGN.md, section 9)."""

from __future__ import annotations

from lessonmark.drills.safety_words import (
    keep_clear,
    soft_only,
    stop_when_it_hurts,
    warm_up_first,
)
from lessonmark.language import say
from lessonmark.lessons.lesson_file import LessonFile

__all__ = ["cautions_for"]

_JUNIOR_UNDER_YEARS = 18


def cautions_for(lesson: LessonFile) -> tuple[str, ...]:
    """List the cautions for this player; common practice, no source, where none is named."""
    cautions = [
        warm_up_first(),
        stop_when_it_hurts(),
        keep_clear(),
        soft_only(),
        say("Begin with few balls after a lay-off and add slowly."),
        say("This sheet measures pictures. It is no medical device, and your coach decides."),
    ]
    born = lesson.player.birth_year
    if born is not None and lesson.lesson.date.year - born < _JUNIOR_UNDER_YEARS:
        # Jayanthi et al. 2015, Am J Sports Med: weekly hours above the age in years go with twice
        # the odds of serious overuse injury.
        cautions.append(
            say(
                "Count the balls: a young player's weekly hours of sport stay below their age in "
                "years, with a day or two off each week."
            )
        )
    return tuple(cautions)
