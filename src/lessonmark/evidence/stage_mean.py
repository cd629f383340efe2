"""One stage's mean, in which a swing that was measured poorly weighs less.

Every swing is a draw from the player's own scatter, seen through its own measurement error:
value_i ~ N(mean, own_scatter^2 + se_i^2). `own_scatter` is found by Paule and Mandel's method, and
the mean weighs each swing by 1 / (own_scatter^2 + se_i^2). Where all swings were measured equally
well this is the plain mean with standard error SD / sqrt(n), so that the comparison of two stages
is Welch's to the last digit.

The swings' own errors are believed against each other, not in their level: where the values lie
closer together than their stated errors allow, those are scaled down by the Birge ratio. Much of a
pose network's error is the same in every swing at a position, cancels in a difference, and would
otherwise hide a change that every swing shows.

References
----------
Paule & Mandel 1982, J Res Natl Bur Stand 87:377-385, doi 10.6028/jres.087.022.
Hartung & Knapp 2001, Stat Med 20:3875-3889, doi 10.1002/sim.1009 (the variance of the mean).
Birge 1932, Phys Rev 40:207-227 (the ratio; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lessonmark.measures.measured import Measured

__all__ = ["StageMean", "own_scatter", "stage_mean"]

COUNTS_IN_FULL = 0.25
"""Share of the best swing's weight from which a swing counts as a whole degree of freedom; below,
in proportion. Common practice, no source; chosen by simulation: counting all is too bold where one
swing was hardly seen, Kish's effective number far too shy for three to five swings."""

_LEAST_BIRGE = 1e-4
_STEPS = 100  # of the root search; ten are common


@dataclass(frozen=True, kw_only=True)
class StageMean:
    """A stage in six numbers, in the measure's unit."""

    count: int  # swings that were used
    mean: float
    standard_error: float  # of the mean: scatter and measurement, without the camera's part
    df: float  # swings that carry weight, minus 1, at least 1
    scatter: float  # swing-to-swing SD as measured, own scatter and measurement error together
    own_scatter: float  # the player's own part of it; 0 where measurement error explains all
    measurement: float  # root mean square of the swings' own standard errors, as far as believed
    camera: float  # root mean square of the systematic standard errors


def own_scatter(values: npt.NDArray[np.float64], errors: npt.NDArray[np.float64]) -> float:
    """Find the scatter that is left when the swings' own measurement errors are taken out.

    Parameters
    ----------
    values : (n,), in the measure's unit, n at least 2.
    errors : (n,), standard errors, same unit, above 0.

    Returns
    -------
    float : standard deviation, same unit; 0 where the errors alone explain the spread.

    References
    ----------
    Paule & Mandel 1982: the root of sum(w_i (y_i - mean_w)^2) = n - 1.
    """
    wanted = values.size - 1.0
    squares = errors**2
    if np.ptp(squares) <= 1e-12 * squares.max():  # equal errors: the root is known
        return math.sqrt(max(0.0, float(np.var(values, ddof=1) - squares[0])))

    # The left side falls with the variance and is convex, so Newton's steps from 0 never overshoot.
    variance = 0.0
    for _ in range(_STEPS):
        weights = 1.0 / (variance + squares)
        away = (values - (weights @ values) / weights.sum()) ** 2
        excess = float(weights @ away) - wanted
        if excess <= 1e-12 * wanted:
            break
        variance += excess / float(weights**2 @ away)
    return math.sqrt(variance)


def stage_mean(swings: Sequence[Measured]) -> StageMean:
    """Take the mean of a stage with its standard error and degrees of freedom.

    Raises
    ------
    ValueError : fewer than two swings.
    """
    if len(swings) < 2:
        raise ValueError(f"a stage's mean needs at least two swings, got {len(swings)}")
    values = np.array([swing.value for swing in swings])
    errors = np.array([swing.se for swing in swings])
    own = own_scatter(values, errors)
    weights = 1.0 / (own**2 + errors**2)
    total = float(weights.sum())
    counted = float(np.minimum(1.0, weights / (COUNTS_IN_FULL * weights.max())).sum())
    mean = float(weights @ values) / total
    # 1 at Paule and Mandel's root; below it where the stated errors alone are more than was seen.
    birge = min(1.0, float(weights @ (values - mean) ** 2) / (values.size - 1.0))
    # Never quite 0: whole frames and whole digits let equal values happen.
    birge = max(birge, _LEAST_BIRGE)
    measurement = math.sqrt(birge * float(np.mean(errors**2)))
    return StageMean(
        count=len(swings),
        mean=mean,
        standard_error=math.sqrt(birge / total),
        df=max(1.0, counted - 1.0),
        scatter=math.hypot(own, measurement),
        own_scatter=own,
        measurement=measurement,
        camera=math.sqrt(float(np.mean([swing.systematic**2 for swing in swings]))),
    )
