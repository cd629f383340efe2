"""Tell from the body alone where the camera stood, and which way round the player swings."""

from __future__ import annotations

import numpy as np
import xarray as xr

from lessonmark.words import Handedness, View

__all__ = ["seen_from", "swings_as"]

# Width of the shoulders over the length of the trunk, both as seen, at address. A chest filmed
# square shows about 0.8, one filmed from behind the hands 0.2 to 0.4 (common practice, no source;
# the shoulders' and trunk's own lengths are 0.259 and 0.288 of the stature, Winter 2009, fig. 4.1).
_FACE_ON_MIN = 0.58
_DOWN_THE_LINE_MAX = 0.42


def seen_from(track: xr.Dataset, at_s: float) -> View | None:
    """Tell the view from the posture at address; None where it is neither square nor in line.

    Parameters
    ----------
    track : lead and trail names, with the middles.
    at_s : a time at address, s.
    """
    posture = track["position"].sel(time=at_s, method="nearest")
    across = _apart(posture, "lead_shoulder", "trail_shoulder")
    trunk = _apart(posture, "mid_shoulder", "mid_hip")
    if trunk <= 0:
        return None
    if across / trunk >= _FACE_ON_MIN:
        return View.FACE_ON
    return View.DOWN_THE_LINE if across / trunk <= _DOWN_THE_LINE_MAX else None


def swings_as(track: xr.Dataset, view: View, start_s: float, top_s: float) -> Handedness | None:
    """Tell which way round the swing goes in the picture; None where it does not say.

    Face-on, the hands go back toward the image's left for a right-hander. From down the line they
    hang on the ball's side of the feet at address, the image's right for a right-hander.
    """
    hands = track["position"].sel(keypoint="mid_wrist", space="x")
    torso = track["position"].sel(time=start_s, method="nearest")
    trunk = _apart(torso, "mid_shoulder", "mid_hip")
    address = float(hands.sel(time=start_s, method="nearest"))
    if view is View.FACE_ON:
        # The whole way up: from down low to the trail side. The top itself may lie behind the head.
        back = hands.sel(time=slice(start_s, top_s)).values
        side = float(back[np.argmax(np.abs(back - address))]) - address
    else:
        feet = float(
            track["position"]
            .sel(keypoint="mid_ankle", space="x")
            .sel(time=start_s, method="nearest")
        )
        side = feet - address
    if abs(side) < 0.2 * trunk:
        return None
    return Handedness.RIGHT if side < 0 else Handedness.LEFT


def _apart(posture: xr.DataArray, one: str, other: str) -> float:
    gap = posture.sel(keypoint=one).values - posture.sel(keypoint=other).values
    return float(np.hypot(*gap))
