"""What the positions are found from: a swing's points on level axes, each with its error.

Axes as DESIGN.md 4: *along* is the image's horizontal, positive toward the target; *up* is
positive up. The camera's roll is taken out here, so that "parallel to the ground" means level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

__all__ = ["Floats", "Path", "Trace", "hands_path", "has_keypoints", "path_of", "torso_px"]

Floats = NDArray[np.float64]

# A keypoint without a stated error: what a pose network gives at best, px (common practice, no
# source).
UNSTATED_SE_PX = 3.0


@dataclass(frozen=True, kw_only=True)
class Trace:
    """One quantity over time, gaps left out."""

    t: Floats  # s, increasing
    value: Floats
    se: Floats  # same unit as `value`

    def within(self, start_s: float, stop_s: float) -> Trace:
        """Keep what lies in [start_s, stop_s]."""
        keep = (self.t >= start_s) & (self.t <= stop_s)
        return Trace(t=self.t[keep], value=self.value[keep], se=self.se[keep])

    @property
    def step_s(self) -> float:
        """The usual time between two samples, s."""
        return float(np.median(np.diff(self.t))) if len(self.t) > 1 else np.nan


@dataclass(frozen=True, kw_only=True)
class Path:
    """A point over time on level axes, gaps left out."""

    t: Floats  # s
    along: Floats  # px, + toward the target
    up: Floats  # px, + up
    se_along: Floats  # px
    se_up: Floats  # px
    sys_up: Floats  # px, the part of the error of `up` that stays from frame to frame

    def within(self, start_s: float, stop_s: float) -> Path:
        """Keep what lies in [start_s, stop_s]."""
        keep = (self.t >= start_s) & (self.t <= stop_s)
        return Path(
            t=self.t[keep],
            along=self.along[keep],
            up=self.up[keep],
            se_along=self.se_along[keep],
            se_up=self.se_up[keep],
            sys_up=self.sys_up[keep],
        )


def has_keypoints(track: xr.Dataset, *names: str) -> bool:
    """Tell whether every one of `names` is a keypoint of the track."""
    held = {str(name) for name in track.keypoint.values}
    return all(name in held for name in names)


def path_of(track: xr.Dataset, *names: str, sign_target: int = 1, roll_deg: float = 0.0) -> Path:
    """Follow the middle of the named keypoints on level axes.

    Parameters
    ----------
    track : dims (time, space, keypoint), px, y down.
    names : the keypoints whose mean is followed.
    sign_target : +1 where the target lies to the image's right, -1 to its left.
    roll_deg : how far a level line is turned counter-clockwise in the image, deg.

    Returns
    -------
    Path : frames where every named keypoint is finite.
    """
    points = _picked(track, "position", names, ("time", "space", "keypoint"))
    x, y = points[:, 0], points[:, 1]
    var = _variances(track, "position_cov", names, x.shape, UNSTATED_SE_PX**2)
    shared = _variances(track, "position_systematic", names, x.shape, 0.0)
    var_x, var_y = var[:, 0], var[:, 1]
    sys_up = np.sqrt(shared[:, 1].sum(axis=1)) / len(names)
    n = len(names)
    x_mid, y_mid = x.mean(axis=1), y.mean(axis=1)
    # The keypoints' errors are taken as independent of each other.
    se_x = np.sqrt(var_x.sum(axis=1)) / n
    se_y = np.sqrt(var_y.sum(axis=1)) / n
    cos, sin = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
    right = x_mid * cos - y_mid * sin
    up = -(x_mid * sin + y_mid * cos)
    t = track.time.values.astype(np.float64)
    keep = np.isfinite(right) & np.isfinite(up) & np.isfinite(t)
    return Path(
        t=t[keep],
        along=sign_target * right[keep],
        up=up[keep],
        se_along=se_x[keep],
        se_up=se_y[keep],
        sys_up=sys_up[keep],
    )


def hands_path(track: xr.Dataset, *, sign_target: int = 1, roll_deg: float = 0.0) -> Path:
    """Follow the hands: the middle of the wrists, whatever the sides are called."""
    pair = ("lead_wrist", "trail_wrist")
    if not has_keypoints(track, *pair):
        pair = ("left_wrist", "right_wrist")
    return path_of(track, *pair, sign_target=sign_target, roll_deg=roll_deg)


def torso_px(track: xr.Dataset) -> float:
    """Measure the torso on the image: mid-hip to mid-shoulder, median over the frames, px.

    Raises
    ------
    ValueError : shoulders or hips are in no frame.
    """
    sides = (
        ("lead", "trail") if has_keypoints(track, "lead_hip", "trail_hip") else ("left", "right")
    )
    hips = path_of(track, *(f"{side}_hip" for side in sides))
    shoulders = path_of(track, *(f"{side}_shoulder" for side in sides))
    both, at_hips, at_shoulders = np.intersect1d(hips.t, shoulders.t, return_indices=True)
    if len(both) == 0:
        raise ValueError("no frame shows shoulders and hips")
    across = shoulders.along[at_shoulders] - hips.along[at_hips]
    upward = shoulders.up[at_shoulders] - hips.up[at_hips]
    return float(np.median(np.hypot(across, upward)))


def _picked(
    track: xr.Dataset, variable: str, names: tuple[str, ...], dims: tuple[str, ...]
) -> Floats:
    """Take keypoints out of a variable, as an array in the order of `dims`."""
    held = track.keypoint.values.tolist()
    places = [held.index(name) for name in names]
    # Plain arrays: this is asked for often, and label look-ups would take most of the time.
    return track[variable].transpose(*dims).values[..., places].astype(np.float64)


def _variances(
    track: xr.Dataset,
    variable: str,
    names: tuple[str, ...],
    shape: tuple[int, ...],
    otherwise: float,
) -> Floats:
    """Variances along x and y, (time, 2, keypoint), px^2; `otherwise` where not stated."""
    if variable not in track:
        return np.full((shape[0], 2, shape[1]), otherwise)
    cov = _picked(track, variable, names, ("time", "space", "space_other", "keypoint"))
    var = np.stack([cov[:, 0, 0], cov[:, 1, 1]], axis=1)
    return np.where(np.isfinite(var) & (var > 0), var, otherwise)
