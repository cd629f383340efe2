"""Find a wild swing: one so far from its stage that the rest cannot account for it.

A wild swing hides a change rather than making one up: it widens the interval. It is set aside only
when Grubbs's test finds it at 0.2 % within its own stage, is never deleted, and is named beside the
verdict, so that the coach can look at it and put it back. The level is that strict because an
ordinary stage that loses its farthest swing looks steadier than it is: at 1 %, false 'changed'
verdicts rise from 4.8 to 6.2 in 100 lessons where 5 swings that scatter widely meet 10 that do not.

References
----------
Grubbs 1969, Technometrics 11:1-21; NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import special

from lessonmark.measures.measured import Measured

__all__ = ["WILD_LEVEL", "WILD_NEEDS", "find_wild", "grubbs_critical", "grubbs_statistic"]

WILD_LEVEL = 0.002  # of ordinary stages that lose a swing; by simulation, see above
WILD_NEEDS = 5  # swings: with fewer, the rest is too small a company to judge by


def grubbs_statistic(values: Sequence[float]) -> float:
    """Take the largest distance from the mean in standard deviations; 0 where all are equal."""
    numbers = np.asarray(values, dtype=float)
    spread = float(np.std(numbers, ddof=1))
    if spread == 0.0:
        return 0.0
    return float(np.max(np.abs(numbers - numbers.mean()))) / spread


def grubbs_critical(count: int, level: float) -> float:
    """Give the two-sided critical value of Grubbs's statistic.

    References
    ----------
    NIST/SEMATECH e-Handbook 1.3.5.17.1: t at level / (2 n) with n - 2 degrees of freedom.
    """
    t = float(special.stdtrit(count - 2, 1.0 - level / (2 * count)))
    return (count - 1) / math.sqrt(count) * math.sqrt(t * t / (count - 2 + t * t))


def find_wild(swings: Sequence[Measured], *, level: float = WILD_LEVEL) -> int | None:
    """Find the stage's wild swing, counted from 0; None where there is none or too few swings.

    The swing must also stand out by more than its own measurement error explains: a swing that
    the camera saw badly is no wild swing, and weighs little anyway.
    """
    if len(swings) < WILD_NEEDS:
        return None
    values = np.array([swing.value for swing in swings])
    if grubbs_statistic(values.tolist()) <= grubbs_critical(len(swings), level):
        return None
    at = int(np.argmax(np.abs(values - values.mean())))
    away = abs(swings[at].value - float(np.mean(np.delete(values, at))))
    return at if away > 2.0 * swings[at].se else None
