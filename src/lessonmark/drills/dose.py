"""How much, how often and in what order: what is published, what is custom, and the cautions.

Numbers here are the plan's own settings; each carries its source or says that it has none.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from lessonmark.drills.safety_words import keep_clear, stop_when_it_hurts, warm_up_first
from lessonmark.language import say, say_number

__all__ = [
    "ADULT_AGE",
    "SESSION_MINUTES",
    "SWING_S",
    "WARM_UP_MINUTES",
    "Wish",
    "dose_cautions",
    "dose_reasons",
    "stop_lines",
    "warnings_for",
]

SESSION_MINUTES = (20, 30)  # common practice, no source
WARM_UP_MINUTES = 10  # 10 to 15 for amateurs: Fradkin, as quoted by Reuters, 28 Mar 2001
SWING_S = {"slow": 25, "half": 20, "three quarters": 25, "full": 30}  # with setting up; no source
ADULT_AGE = 18


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What the player has: days, time, age, and what to be careful about."""

    start: date
    next_lesson: date
    minutes_a_week: int  # warm-up included
    days_a_week: int = 3
    birth_year: int | None = None  # None: taken as an adult
    sport_hours_a_week: float = 0.0  # everything else, as declared
    lay_off: bool = False  # no golf for a month or more
    back: bool = False  # the back has hurt

    def __post_init__(self) -> None:
        if self.next_lesson <= self.start:
            raise ValueError("the next lesson comes after the start")
        if not (1 <= self.days_a_week <= 6 and self.minutes_a_week > 0):
            raise ValueError("one to six days a week, and some minutes")
        if not self.sport_hours_a_week >= 0:
            raise ValueError("hours of sport are not negative")

    @property
    def age(self) -> int | None:
        """Age in years at the start, the lower of the two that it can be."""
        return None if self.birth_year is None else self.start.year - self.birth_year - 1

    @property
    def is_junior(self) -> bool:
        """Whether the limits for players under 18 hold."""
        return self.age is not None and self.age < ADULT_AGE


def dose_reasons() -> tuple[str, ...]:
    """Say what the plan rests on: the finding with its source, or that there is none."""
    return (
        say(
            "Sessions lie a day or more apart: practice 24 hours apart was better kept than 20 "
            "minutes apart (Shea et al. 2000)."
        ),
        say(
            "One or two days between sessions for a look back in a week: a habit taken from the "
            "learning of facts, not proven for movements (Cepeda et al. 2008)."
        ),
        say(
            "Easy first, varied later: harder practice can look worse on the day and keep better "
            "(Schmidt & Bjork 1992, from memory)."
        ),
        say(
            "What counts is how you swing a day or more later, not on the day (Kantak & Winstein "
            "2012)."
        ),
        say(
            "Warm up first: in one trial of 344 golfers those who did were hurt far less often "
            "(Fradkin et al. 2006)."
        ),
        say("Lengths of blocks, counts and rests are common practice, without a source."),
    )


def stop_lines() -> tuple[str, ...]:
    """Say what to stop on."""
    return (
        stop_when_it_hurts(),
        say("Stop when three swings in a row get worse: rest two minutes, then take the easier."),
        say("Stop the drill once its checkpoint is met, and go on to plain swings."),
    )


def dose_cautions(wish: Wish) -> tuple[str, ...]:
    """List the cautions for this player; what to stop on is `stop_lines`."""
    lines = [
        warm_up_first(),
        keep_clear(),
        say("This plan is no medical advice, and your coach decides."),
    ]
    if wish.back:
        lines.append(
            say(
                "Your back has hurt: ask a doctor or physiotherapist before you begin. Drills that "
                "ask much of the back are left out."
            )
        )
    if wish.lay_off:
        lines.append(say("After a lay-off the first two sessions have half the swings."))
    if wish.is_junior:
        lines.append(
            say("Count the swings, keep a day or two a week free of sport, and play other games.")
        )
    return tuple(lines)


def warnings_for(wish: Wish, planned_hours_a_week: float) -> tuple[str, ...]:
    """Warn where a young player's hours of sport exceed their age.

    References
    ----------
    Jayanthi et al. 2015, Am J Sports Med: weekly hours of sport above the age in years go with
    odds of 2.07 for serious overuse injury (1190 athletes aged 7 to 18).
    """
    age = wish.age
    if age is None or not wish.is_junior:
        return ()
    hours = planned_hours_a_week + wish.sport_hours_a_week
    if hours <= age:
        return ()
    return (
        say(
            "With this plan the week holds {hours} hours of sport, more than {age}, the age in "
            "years: that goes with twice the odds of serious overuse injury (Jayanthi et al. "
            "2015). Plan less.",
            hours=say_number(hours, 1),
            age=age,
        ),
    )
