"""When something that rested starts to move, where its first movement is seen well.

How a start begins is not known beforehand: a minimum-jerk movement goes with the time cubed, a
muscle's force that has to build up first makes it start more softly. A fixed power followed far
into the movement turns that doubt into a bias of several ms. So the power is found with the start,
from no more of the movement than is needed to tell, and what it leaves open is in the error.
"""

from __future__ import annotations

import math

import numpy as np

from lessonmark.positions.crossing import whitener
from lessonmark.positions.signals import Floats
from lessonmark.positions.times import Time

__all__ = ["start_from_rest"]

# From constant acceleration to a rate that creeps up like the flank of a bell (no power at all, its
# first part goes like a high one); minimum jerk is 3 (Flash and Hogan 1985, J Neurosci 5:1688, from
# memory). The high ones lie farther apart: they are less likely.
POWERS = (2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 6.0, 7.0)
STEP_S = 0.002
# The start lies before the movement has gone this share of what is looked at.
STARTED_BY = 0.3
LEAST_MISFIT = 0.3
# The asked-for speed is reached no later than this after the start, s.
LONGEST_TO_SPEED_S = 0.25
NEWTON = 4


def start_from_rest(t: Floats, moved: Floats, se: float, *, speed: float) -> Time | None:
    """Find when something first moves faster than `speed`.

    ``moved = a + c s^p - d s^(p + 1)``, s = t - t0 from the start on, c > 0 and d >= 0 (a start
    slackens, as minimum jerk does), is fitted by generalised least squares for every t0 and
    power p. The time is the mean of their likelihood, its error the spread.

    Parameters
    ----------
    t : s, increasing, from the rest into the movement.
    moved : along the path, about 0 before the start.
    se : standard error of `moved`, alike for some 0.03 s.
    speed : in the unit of `moved` a second.

    Returns
    -------
    Time | None : None where nothing moves by five standard errors.
    """
    far = float(moved.max())
    if len(t) < 8 or far < 5 * se:
        return None
    whiten = whitener(t, np.full(len(t), se))
    starts = np.arange(t[0], t[int(np.argmax(moved >= STARTED_BY * far))], STEP_S)
    if len(starts) == 0:
        return None
    fits = [_fit(t, whiten, whiten @ moved, starts, power, speed) for power in POWERS]
    misfit = np.concatenate([fit[0] for fit in fits])
    times = np.concatenate([fit[1] for fit in fits])
    if not np.isfinite(misfit).any():
        return None
    # The samples' scatter about the curve tells their error better than what was said of it.
    scale = max(float(misfit.min()) / max(len(t) - 5, 1), LEAST_MISFIT)
    weight = np.exp(-0.5 * (misfit - misfit.min()) / scale)
    weight /= weight.sum()
    s = float(np.sum(weight * times))
    spread = math.sqrt(float(np.sum(weight * (times - s) ** 2)))
    return Time(s=s, se=math.hypot(spread, STEP_S / math.sqrt(12)))


def _fit(
    t: Floats, whiten: Floats, target: Floats, starts: Floats, power: float, speed: float
) -> tuple[Floats, Floats]:
    """Chi-square of the best curve for each start, infinite where none is, and its time."""
    off = np.clip(t[None, :] - starts[:, None], 0.0, None)
    columns = np.stack([np.ones_like(off), off**power, -(off ** (power + 1))], axis=2)
    design = np.einsum("ij,kjn->kin", whiten, columns)
    misfit, found = _least_squares(design, target)
    plain, kept = _least_squares(design[:, :, :2], target)
    hastens = found[:, 2] < 0
    misfit = np.where(hastens, plain, misfit)
    c = np.where(hastens, kept[:, 1], found[:, 1])
    d = np.where(hastens, 0.0, found[:, 2])
    good = c > 0
    c = np.where(good, c, 1.0)
    late = (speed / (power * c)) ** (1 / (power - 1))
    # Root of the rate minus the speed; without the slackening it is the value to begin with.
    for _ in range(NEWTON):
        rate = power * c * late ** (power - 1) - (power + 1) * d * late**power
        slope = power * (power - 1) * c * late ** (power - 2)
        slope = slope - (power + 1) * power * d * late ** (power - 1)
        late = np.clip(late - (rate - speed) / np.where(slope > 0, slope, np.inf), 1e-6, None)
    good &= late < LONGEST_TO_SPEED_S
    return np.where(good, misfit, np.inf), starts + late


def _least_squares(design: Floats, target: Floats) -> tuple[Floats, Floats]:
    """Fit each of `design` (case, time, column); chi-square and coefficients."""
    size = np.linalg.norm(design, axis=1, keepdims=True)
    size = np.where(size > 0, size, 1.0)
    found = np.einsum("kni,i->kn", np.linalg.pinv(design / size), target) / size[:, 0]
    left = target[None, :] - np.einsum("kin,kn->ki", design, found)
    return np.sum(left**2, axis=1), found
