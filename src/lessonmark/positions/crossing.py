"""Roots of a smooth track: where it passes a level, where it turns, where it starts to move.

Every one returns a time and its standard error, found on local polynomials by least squares and
rooted between the frames.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares

from lessonmark.positions.signals import Floats, Trace
from lessonmark.positions.times import Time

__all__ = ["crossings", "onset", "soft_crossing", "turning"]

# A track's errors are alike from frame to frame for about this long (the smoother's memory), s.
# Samples nearer than that do not average each other's errors away.
ERRORS_LAST_S = 0.03
# No root is looked for across a gap longer than this, s: too much could happen in it.
LONGEST_GAP_S = 0.06
TURN_STEP_S = 0.001
LEAST_MISFIT = 0.1
# What the shape of two parabolas leaves open, s.
SE_TURN_SHAPE_S = 0.005
# An arm's elevation is smoothed over this before its likeliest crossing is taken, s.
SOFTENED_OVER_S = 0.008
# A crossing this likely beside the likeliest, and earlier, is the one meant.
LIKELY_SHARE = 0.5


def crossings(trace: Trace, *, rising: bool, half_width_s: float) -> list[tuple[Time, float]]:
    """Find where `trace` passes zero, with its rate there.

    Parameters
    ----------
    trace : the quantity minus the level that it passes.
    rising : passes upward (True) or downward (False).
    half_width_s : reach of the local polynomial on each side, s.

    Returns
    -------
    list[tuple[Time, float]] : in time order: the time, se = se_value / rate (REFERENCES: a
        crossing time from a smooth angle), and the rate in the trace's unit a second.
    """
    value = trace.value if rising else -trace.value
    found = []
    for i in np.flatnonzero((value[:-1] < 0) & (value[1:] >= 0)):
        if trace.t[i + 1] - trace.t[i] > LONGEST_GAP_S:
            continue
        time_s, rate = _refine(trace.t, value, int(i), half_width_s)
        if rate <= 0:
            continue
        se = float(np.interp(time_s, trace.t, trace.se)) / rate
        found.append((Time(s=time_s, se=max(se, 1e-5)), rate if rising else -rate))
    return found


def _refine(t: Floats, value: Floats, i: int, half_width_s: float) -> tuple[float, float]:
    """Root a local cubic (or what the samples allow) near the straight-line root."""
    straight = t[i] - value[i] * (t[i + 1] - t[i]) / (value[i + 1] - value[i])
    step = t[i + 1] - t[i]
    reach = max(half_width_s, 2.01 * step)
    near = np.abs(t - straight) <= reach
    degree = min(3, int(near.sum()) - 1)
    poly = np.polynomial.Polynomial.fit(t[near] - straight, value[near], degree)
    roots = poly.roots()
    real = roots[np.abs(roots.imag) < 1e-9].real
    real = real[np.abs(real) <= 1.5 * step]
    rate_there = poly.deriv()
    if len(real) == 0:
        return float(straight), float((value[i + 1] - value[i]) / step)
    root = float(real[np.argmin(np.abs(real))])
    rate = float(rate_there(root))
    return float(straight + root), rate if rate > 0 else float((value[i + 1] - value[i]) / step)


def turning(trace: Trace, *, before_s: float, after_s: float) -> Time | None:
    """Find where `trace` turns down inside its span, None where that is at an end.

    A swing goes up slowly and comes down fast, so one polynomial across the turn would put it too
    early. Two parabolas that meet at the turn, each with its own curvature, are fitted for every
    possible time of the turn by generalised least squares; the time is the mean of their
    likelihood and its error the spread.

    Parameters
    ----------
    trace : the quantity, some way to both sides of the turn.
    before_s, after_s : how much is used on each side, s.
    """
    if len(trace.t) < 6:
        return None
    first = int(np.argmax(gaussian_filter1d(trace.value, 0.02 / trace.step_s)))
    if first in (0, len(trace.t) - 1):
        return None
    about, spread = float(trace.t[first]), 0.0
    # Again: the first pass moves the window to the turn.
    for _ in range(2):
        near = (trace.t >= about - before_s) & (trace.t <= about + after_s)
        t, y = trace.t[near], trace.value[near]
        if len(t) < 6:
            return None
        whiten = _whitener(t, trace.se[near])
        turns = np.arange(about - 0.6 * before_s, about + 0.8 * after_s, TURN_STEP_S)
        misfit = _two_parabolas(t, y, whiten, turns)
        if not np.isfinite(misfit).any():
            return None
        # The samples' scatter about the curve tells their error better than the track, whose
        # errors may be larger but the same in every frame.
        scale = max(float(misfit.min()) / max(len(t) - 4, 1), LEAST_MISFIT)
        weight = np.exp(-0.5 * (misfit - misfit.min()) / scale)
        weight /= weight.sum()
        about = float(np.sum(weight * turns))
        spread = math.sqrt(float(np.sum(weight * (turns - about) ** 2)))
    return Time(s=about, se=math.hypot(spread, SE_TURN_SHAPE_S))


def _whitener(t: Floats, se: Floats) -> Floats:
    """Inverse of the Cholesky factor of the errors' covariance, alike over ERRORS_LAST_S."""
    cov = np.exp(-np.abs(t[:, None] - t[None, :]) / ERRORS_LAST_S) * se[:, None] * se[None, :]
    return np.asarray(np.linalg.inv(np.linalg.cholesky(cov)), dtype=np.float64)


def _two_parabolas(t: Floats, y: Floats, whiten: Floats, turns: Floats) -> Floats:
    """Chi-square of the best two parabolas with their common top at each of `turns`.

    Infinite where a side does not go down from the top.
    """
    off = t[None, :] - turns[:, None]
    sides = [np.ones_like(off), np.clip(-off, 0, None) ** 2, np.clip(off, 0, None) ** 2]
    design = np.einsum("ij,kjn->kin", whiten, np.stack(sides, axis=2))
    target = whiten @ y
    fitted = np.einsum("kni,i->kn", np.linalg.pinv(design), target)
    misfit = np.sum((target[None, :] - np.einsum("kin,kn->ki", design, fitted)) ** 2, axis=1)
    return np.where((fitted[:, 1] > 0) | (fitted[:, 2] > 0), np.inf, misfit)


def soft_crossing(trace: Trace) -> Time | None:
    """Find when `trace` most likely comes up to zero, where it may only just reach it.

    With an error of the angle of standard deviation s, the crossing's time has the density
    phi(value / s) |rate|. The mean over its first hill is returned, with the spread: for a fast
    crossing that is the plain root with se = s / rate.

    Returns
    -------
    Time | None : None where `trace` stays below -3 s.
    """
    if len(trace.t) < 4:
        return None
    fine = np.arange(trace.t[0], trace.t[-1], 5e-4)
    smooth = gaussian_filter1d(trace.value, max(SOFTENED_OVER_S / trace.step_s, 0.4))
    value = PchipInterpolator(trace.t, smooth)(fine)
    rate = np.clip(np.gradient(value, fine), 0.0, None)
    se = np.interp(fine, trace.t, trace.se)
    weight = np.exp(-0.5 * (value / se) ** 2) * rate
    above = np.flatnonzero(value > 3 * se)
    if len(above):
        weight[above[0] :] = 0.0
    if weight.max() <= 0 or value.max() < -2 * se[int(np.argmax(value))]:
        return None
    # The first of the likely times: an arm that has come up and hovers does not come up again.
    padded = np.pad(weight, 1)
    tops = np.flatnonzero(
        (padded[1:-1] >= padded[:-2])
        & (padded[1:-1] > padded[2:])
        & (weight >= LIKELY_SHARE * weight.max())
    )
    mode = int(tops[0])
    # The spread within the mode's own hill.
    low = np.flatnonzero(weight < 0.05 * weight[mode])
    left = int(low[low < mode].max(initial=0))
    right = int(low[low > mode].min(initial=len(fine)))
    hill = slice(left, right)
    share = weight[hill] / np.sum(weight[hill])
    mean = float(np.sum(share * fine[hill]))
    spread = math.sqrt(float(np.sum(share * (fine[hill] - mean) ** 2)))
    return Time(s=mean, se=max(spread, 1e-4))


def onset(t: Floats, moved: Floats, se: float, *, speed: float, power: float = 3.0) -> Time | None:
    """Find when something that was still first moves faster than `speed`.

    A start from rest follows ``moved = c (t - t0)^3`` (a minimum-jerk movement begins so; Flash
    and Hogan 1985, J Neurosci 5:1688, from memory). The model is fitted to the still part and the
    first part of the movement, so that speeds far below the noise of a frame can be timed.

    Parameters
    ----------
    t : s, increasing.
    moved : px along the path, about 0 before the start.
    se : standard error of `moved`, px.
    speed : px/s.
    power : of the start.

    Returns
    -------
    Time | None : None where nothing moves by five standard errors.
    """
    far = float(moved.max())
    if len(t) < 6 or far < 5 * se:
        return None
    over = np.flatnonzero(moved >= 0.5 * far)
    guess = float(t[over[0]] - 0.6 * (t[over[0]] - t[0])) if len(over) else float(t[0])
    span = max(float(t[-1] - guess), 1e-3)

    def model(p: Floats) -> Floats:
        return np.asarray(
            p[2] + far * np.clip((t - p[0]) / p[1], 0.0, None) ** power, dtype=np.float64
        )

    fit = least_squares(
        lambda p: (model(p) - moved) / se,
        x0=np.array([guess, span, 0.0]),
        bounds=([t[0] - 1.0, 0.01, -far], [t[-1], 5.0, far]),
        loss="soft_l1",
    )
    start, scale = float(fit.x[0]), float(fit.x[1])
    # speed = power far / scale^power (t - t0)^(power - 1)
    late = (speed * scale**power / (power * far)) ** (1.0 / (power - 1.0))
    jac = fit.jac
    back = np.linalg.pinv(jac)
    alike = np.exp(-np.abs(t[:, None] - t[None, :]) / ERRORS_LAST_S)
    se_start = math.sqrt(max(float((back @ alike @ back.T)[0, 0]), 0.0))
    step = float(np.median(np.diff(t)))
    return Time(s=start + late, se=max(se_start, 0.25 * step))
