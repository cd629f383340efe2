"""The lines whose levels are positions: lead arm, trail arm and shaft, as heights over time."""

from __future__ import annotations

import math

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from lessonmark.positions.signals import Floats, Path, Trace, has_keypoints, path_of
from lessonmark.words import View

__all__ = ["arm_elevation", "arm_turn", "has_club", "shaft_elevation"]

# A line that is level in the world is not quite level on the image unless it lies square to the
# camera: at height h from the camera's, with a part d of its length along the camera's axis and
# at distance z, it is tilted by about (h / z) d. With h up to 0.45 m, z about 4 m and d a quarter
# (face-on) to all of the length (a shaft from down-the-line): pinhole geometry, rad.
SE_LEVEL = {
    (View.FACE_ON, "shaft"): math.radians(1.6),
    (View.FACE_ON, "arm"): math.radians(1.6),
    (View.DOWN_THE_LINE, "shaft"): math.radians(4.0),
    (View.DOWN_THE_LINE, "arm"): math.radians(2.0),
}


def has_club(track: xr.Dataset) -> bool:
    """Tell whether the track carries a club."""
    return "shaft_angle" in track or has_keypoints(track, "grip_mid", "clubhead")


def arm_elevation(
    track: xr.Dataset, side: str, *, view: View, roll_deg: float, roll_se_deg: float
) -> Trace:
    """Follow an arm's elevation, shoulder to wrist, rad, 0 = level, + wrist higher.

    The height of the wrist over the shoulder is taken over the arm's greatest length on the
    image, so that an arm that points at the camera does not look steep.
    """
    shoulder = path_of(track, f"{side}_shoulder", roll_deg=roll_deg)
    wrist = path_of(track, f"{side}_wrist", roll_deg=roll_deg)
    return _elevation(shoulder, wrist, SE_LEVEL[view, "arm"], roll_se_deg)


def shaft_elevation(
    track: xr.Dataset, *, view: View, roll_deg: float, roll_se_deg: float
) -> Trace | None:
    """Follow the shaft's elevation, grip to head, rad, 0 = level, + head higher.

    Face-on it is the shaft's angle folded into [-90, 90] deg; from down-the-line, where the
    shaft points along the camera's axis near the level, the heights of its ends.

    Returns
    -------
    Trace | None : None where the track carries no club.
    """
    se_level = SE_LEVEL[view, "shaft"]
    ends = has_keypoints(track, "grip_mid", "clubhead")
    if "shaft_angle" in track and (view is View.FACE_ON or not ends):
        t = track.time.values.astype(np.float64)
        angle = track.shaft_angle.values.astype(np.float64) - math.radians(roll_deg)
        keep = np.isfinite(angle)
        own = track.shaft_angle_se.values[keep].astype(np.float64)
        se = np.sqrt(own**2 + se_level**2 + math.radians(roll_se_deg) ** 2)
        folded = np.arcsin(np.clip(np.sin(angle[keep]), -1.0, 1.0))
        return Trace(t=t[keep], value=folded, se=se)
    if ends:
        grip = path_of(track, "grip_mid", roll_deg=roll_deg)
        head = path_of(track, "clubhead", roll_deg=roll_deg)
        return _elevation(grip, head, se_level, roll_se_deg)
    return None


def arm_turn(track: xr.Dataset, side: str, *, sign_target: int, roll_deg: float) -> Trace:
    """Follow how far the arm has swung from hanging, rad, + away from the target (unwrapped)."""
    shoulder = path_of(track, f"{side}_shoulder", sign_target=sign_target, roll_deg=roll_deg)
    wrist = path_of(track, f"{side}_wrist", sign_target=sign_target, roll_deg=roll_deg)
    t, i, j = np.intersect1d(shoulder.t, wrist.t, return_indices=True)
    along = wrist.along[j] - shoulder.along[i]
    up = wrist.up[j] - shoulder.up[i]
    length = np.hypot(along, up)
    se = _across(shoulder, wrist, i, j) / np.maximum(length, 1e-9)
    return Trace(t=t, value=np.unwrap(np.arctan2(-along, -up)), se=se)


def _elevation(lower: Path, upper: Path, se_level: float, roll_se_deg: float) -> Trace:
    t, i, j = np.intersect1d(lower.t, upper.t, return_indices=True)
    along = upper.along[j] - lower.along[i]
    up = upper.up[j] - lower.up[i]
    if len(t) == 0:
        return Trace(t=t, value=up, se=up)
    length = float(np.percentile(np.hypot(along, up), 95))
    roll = np.abs(along) / length * math.radians(roll_se_deg)
    own = np.hypot(lower.se_up[i], upper.se_up[j]) / length
    return Trace(
        t=t,
        value=np.arcsin(np.clip(up / length, -1.0, 1.0)),
        se=np.sqrt(own**2 + se_level**2 + roll**2),
    )


def _across(a: Path, b: Path, i: NDArray[np.intp], j: NDArray[np.intp]) -> Floats:
    mean_var = (a.se_along[i] ** 2 + a.se_up[i] ** 2 + b.se_along[j] ** 2 + b.se_up[j] ** 2) / 2
    return np.asarray(np.sqrt(mean_var), dtype=np.float64)
