"""How many more swings would settle a verdict, by the noncentral t distribution.

References
----------
Cohen 1988, Statistical Power Analysis for the Behavioral Sciences, 2nd ed., ch. 2.
Owen 1965, Biometrika 52:437-446 (power of two one-sided tests; here by its usual lower bound).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import special

from lessonmark.evidence.degrees import guarded_df, welch_df

__all__ = [
    "MOST_SWINGS",
    "Plan",
    "more_swings",
    "power_to_call_changed",
    "power_to_call_unchanged",
    "swings_to_film",
]

MOST_SWINGS = 50  # nobody films more for one question; beyond it the answer is "cannot be told"
POWER = 0.80  # Cohen 1988, 2.4: the usual aim


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a comparison is expected to look like; all in the measure's unit."""

    difference: float  # expected, B minus A
    scatter_a: float  # swing-to-swing SD
    scatter_b: float
    camera: float = 0.0  # standard error that no number of swings takes away
    level: float = 0.05  # two-sided for 'changed', one-sided for 'not changed'
    guarded: bool = False  # with the guarded df that decides verdicts, else Welch's

    def spread(self, count_a: int, count_b: int) -> tuple[float, float]:
        """Standard error of the difference and its degrees of freedom."""
        part_a, part_b = self.scatter_a**2 / count_a, self.scatter_b**2 / count_b
        swings = part_a + part_b
        df = welch_df(part_a, part_b, count_a - 1.0, count_b - 1.0)
        variance = swings + self.camera**2
        known = variance / swings
        if self.guarded:
            df = guarded_df(df, min(count_a, count_b) - 1.0, known=known)
        else:
            df *= known**2
        return math.sqrt(variance), df


def power_to_call_changed(plan: Plan, count_a: int, count_b: int) -> float:
    """Give the chance that the two-sided t test finds a difference of this size."""
    error, df = plan.spread(count_a, count_b)
    bar = float(special.stdtrit(df, 1.0 - plan.level / 2))
    shift = abs(plan.difference) / error
    return 1.0 - _below(bar, df, shift) + _below(-bar, df, shift)


def power_to_call_unchanged(plan: Plan, count_a: int, count_b: int, *, margin: float) -> float:
    """Give the chance that two one-sided tests place the difference inside +-`margin`.

    A lower bound: 1 minus the chances of missing either side (Bonferroni's inequality).
    """
    error, df = plan.spread(count_a, count_b)
    bar = float(special.stdtrit(df, 1.0 - plan.level))
    missed = 0.0
    for room in (margin - plan.difference, margin + plan.difference):
        missed += _below(bar, df, room / error)
    return max(0.0, 1.0 - missed)


def swings_to_film(
    scatter: float, change: float, *, focus_count: int = 1, camera: float = 0.0
) -> int | None:
    """Find how many swings a stage to film so that a change is found 8 times in 10.

    Parameters
    ----------
    scatter : the player's swing-to-swing SD, in the measure's unit.
    change : the change that the lesson is after, same unit.
    focus_count : focus measures judged together.
    camera : standard error because the camera will be moved between the stages.

    Returns
    -------
    int or None : at least three; None where even `MOST_SWINGS` would not do.
    """
    plan = Plan(
        difference=change,
        scatter_a=scatter,
        scatter_b=scatter,
        camera=camera,
        level=0.05 / focus_count,
        guarded=True,
    )
    for count in range(3, MOST_SWINGS + 1):
        if power_to_call_changed(plan, count, count) >= POWER:
            return count
    return None


def _below(bar: float, df: float, shift: float) -> float:
    """Chance that a noncentral t falls below `bar`."""
    if abs(shift) < 30.0:
        chance = float(special.nctdtr(df, shift, bar))
        if not math.isnan(chance):
            return chance
    return 0.0 if bar < shift else 1.0  # far tails, where the library's series gives up


def more_swings(
    plan: Plan, count_a: int, count_b: int, *, margin: float, both: bool = True
) -> int | None:
    """Find how many more swings settle the verdict, whichever way it goes, 8 times in 10.

    Parameters
    ----------
    plan : what the swings so far suggest.
    count_a, count_b : swings there are, each at least 2.
    margin : the smallest change worth having; 0 where none was set.
    both : add the swings to both stages; otherwise to stage B alone.

    Returns
    -------
    int or None : None where even `MOST_SWINGS` would not settle it.
    """

    def settles(more: int) -> bool:
        first, second = count_a + (more if both else 0), count_b + more
        if power_to_call_changed(plan, first, second) >= POWER:
            return True
        return margin > 0 and (power_to_call_unchanged(plan, first, second, margin=margin) >= POWER)

    if not settles(MOST_SWINGS):
        return None
    low, high = 0, MOST_SWINGS  # power grows with every swing, so halving finds the first
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if settles(middle) else (middle, high)
    return high
