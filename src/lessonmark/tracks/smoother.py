"""Smooth a track in time: a Rauch-Tung-Striebel smoother that keeps fast wrists fast.

Each keypoint moves with constant acceleration, disturbed by white jerk (Bar-Shalom, Li &
Kirubarajan 2001, Estimation with Applications to Tracking and Navigation, sec. 6.2.3, the Wiener
process acceleration model). In steady state this filter is a low-pass of third order; its jerk
density is therefore set from the cut-off frequency that a body part needs, in the way movement
science chooses a filter, and not from pixels, which depend on the camera.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from statsmodels.tsa.statespace.kalman_smoother import SMOOTHER_STATE, SMOOTHER_STATE_COV
from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother as _Smoother

__all__ = ["SmoothPath", "cutoff_hz", "smooth_path", "white_noise_sd"]

# Hz, common practice in movement science for 2-D landmarks (6 Hz for slow segments and up); the
# hands of a swing turn round within a tenth of a second and need more.
_CUTOFF_HZ = {"wrist": 14.0, "pinky": 14.0, "index": 14.0, "thumb": 14.0, "elbow": 12.0}
_CUTOFF_TRUNK_HZ = 8.0
_NYQUIST_SHARE = 0.7  # of half the frame rate: no filter can pass more than the frames hold


@dataclass(frozen=True, kw_only=True)
class SmoothPath:
    """One keypoint through time."""

    position: npt.NDArray[np.float64]  # (time, 2) px
    velocity: npt.NDArray[np.float64]  # (time, 2) px/s
    covariance: npt.NDArray[np.float64]  # (time, 2, 2) px^2, of `position`


def cutoff_hz(keypoint: str, fps: float) -> float:
    """Give the cut-off frequency for a keypoint by its name, limited by the frame rate."""
    part = keypoint.rsplit("_", 1)[-1]
    return min(_CUTOFF_HZ.get(part, _CUTOFF_TRUNK_HZ), _NYQUIST_SHARE * fps / 2)


def white_noise_sd(position: npt.NDArray[np.float64]) -> float:
    """Estimate the frame-to-frame noise of a path (time, 2) from its third differences, px.

    A third difference kills every smooth movement up to a parabola; of white noise it keeps
    20 times the variance (1 + 9 + 9 + 1). The median resists the few frames of the release.
    """
    third = np.diff(position, n=3, axis=0)
    if len(third) == 0:
        return 1.0
    return max(1.4826 * float(np.median(np.abs(third))) / math.sqrt(20), 0.05)


def smooth_path(
    times: npt.NDArray[np.float64],
    seen: Sequence[int] | npt.NDArray[np.int64],
    position: npt.NDArray[np.float64],
    spread: npt.NDArray[np.float64],
    *,
    cutoff: float,
) -> SmoothPath:
    """Smooth one keypoint's path over all frames.

    Parameters
    ----------
    times : (time,) s, of every frame, rising; the spacing may vary.
    seen : (look,) indices of the frames that were looked at.
    position : (look, 2) px.
    spread : (look, 2, 2) px^2, how sure each look is against the others; only the ratio to their
        median counts, the level is learnt from the path's own frame-to-frame noise.
    cutoff : Hz.
    """
    seen = np.asarray(seen)
    noise = white_noise_sd(position)
    typical = float(np.median(np.trace(spread, axis1=1, axis2=2))) / 2 or 1.0
    count = len(times)
    model = _Smoother(k_endog=2, k_states=6)
    endog = np.full((2, count), np.nan)
    endog[:, seen] = position.T
    model.bind(np.asfortranarray(endog))
    design = np.zeros((2, 6))
    design[0, 0] = design[1, 3] = 1.0
    observed = np.repeat(np.eye(2)[:, :, None] * noise**2, count, axis=2)
    observed[:, :, seen] = np.moveaxis(spread / typical * noise**2, 0, -1)
    steps = np.diff(times, append=2 * times[-1] - times[-2]) if count > 1 else np.ones(1)
    # A third-order smoother with jerk density q and noise density r = sd^2 dt has its half-power
    # point where (2 pi f)^6 = q / r.
    density = noise**2 * float(np.median(steps)) * (2 * math.pi * cutoff) ** 6
    move, jerk = _constant_acceleration(steps)
    transition = np.zeros((6, 6, count))
    disturbance = np.zeros((6, 6, count))
    for block in (slice(0, 3), slice(3, 6)):
        transition[block, block] = move
        disturbance[block, block] = jerk * density
    model["design"] = design
    model["obs_cov"] = observed
    model["transition"] = transition
    model["selection"] = np.eye(6)
    model["state_cov"] = disturbance
    start = np.zeros(6)
    start[[0, 3]] = position[0]
    extent = float(np.ptp(position)) + 100 * noise
    rate = 2 * math.pi * cutoff
    wide = np.array([extent, extent * rate, extent * rate**2]) ** 2
    model.initialize_known(start, np.diag(np.tile(wide, 2)))
    model.smoother_output = SMOOTHER_STATE | SMOOTHER_STATE_COV
    out = model.smooth()
    state, cov = out.smoothed_state, out.smoothed_state_cov
    return SmoothPath(
        position=state[[0, 3]].T.copy(),
        velocity=state[[1, 4]].T.copy(),
        covariance=np.moveaxis(cov[np.ix_([0, 3], [0, 3])], -1, 0).copy(),
    )


def _constant_acceleration(
    steps: npt.NDArray[np.float64],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Give transition and unit disturbance (3, 3, time): Bar-Shalom 2001, eq. 6.2.3-7, -8."""
    one, zero = np.ones_like(steps), np.zeros_like(steps)
    move = np.array([[one, steps, steps**2 / 2], [zero, one, steps], [zero, zero, one]])
    jerk = np.array(
        [
            [steps**5 / 20, steps**4 / 8, steps**3 / 6],
            [steps**4 / 8, steps**3 / 3, steps**2 / 2],
            [steps**3 / 6, steps**2 / 2, steps],
        ]
    )
    return move, jerk
