"""Where the camera stood: off square, distance and height, from the golfer's feet at address."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lessonmark.errors import CannotMeasure
from lessonmark.measures.level import GroundLine
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import FOCAL_SHARE, SwingSeen
from lessonmark.words import View

__all__ = ["Standing", "find_standing"]

FOCAL_SHARE_SE = 0.08
# How far a player's feet stand off the line that the club goes along; common practice, no source.
AIM_SE_DEG = 4.0
# Where the network sees ankles and heels, share of the torso's length.
FOOT_SE = {View.FACE_ON: 0.02, View.DOWN_THE_LINE: 0.04}
GROUND_ROW_SE = 0.02  # of the picture's height: how far the level edge lies off the true horizon
FEET = ("ankle", "heel")
WIDEST_SE_DEG = 15.0  # beyond this the feet say nothing
# The ankle's height, 0.039 of stature (Winter 2009, fig. 4.1), and the heel's, taken together.
FOOT_HEIGHT_CM = 5.0


@dataclass(frozen=True, kw_only=True)
class Standing:
    """Where the camera stood; a None could not be told."""

    yaw_deg: float | None  # + the golfer's trail side is turned toward the camera
    yaw_se_deg: float
    distance_cm: float | None  # to the golfer's hips
    height_cm: float | None  # above the ground
    pitch_deg: float | None = None  # + the camera looks up
    pitch_se_deg: float = 5.0


def find_standing(
    swing: SwingSeen, s: float, *, roll_deg: float, ground: GroundLine | None, scale: Scale
) -> Standing:
    """Find the camera's place against the golfer's feet.

    Points of the level ground lie as far away as their depth below the horizon says: the row of a
    foot gives its distance, its column its side. The line between the feet is taken for the line
    of play, within `AIM_SE_DEG`.

    Parameters
    ----------
    swing : the swing; its own camera is not looked at.
    s : a moment at address.
    roll_deg : of the camera, + a plumb line's top leans to the image's right.
    ground : the level edge behind the golfer; None: the picture's middle is taken for its row.
    scale : px/cm at the golfer's hips.
    """
    focal = FOCAL_SHARE * max(swing.width, swing.height)
    distance = focal / scale.px_per_cm
    feet = _feet(swing, s, roll_deg)
    if feet is None:
        return Standing(yaw_deg=None, yaw_se_deg=10.0, distance_cm=distance, height_cm=None)
    lead, trail, torso_px = feet
    # Rows and columns from the picture's middle, roll taken out.
    if ground is not None:
        horizon = (ground.row_px - swing.height / 2) * math.cos(math.radians(ground.slope_deg))
        horizon_se = GROUND_ROW_SE * swing.height
        pitch = math.degrees(math.atan2(horizon, focal))
        pitch_se = math.hypot(math.degrees(horizon_se / focal), abs(pitch) * FOCAL_SHARE_SE)
    else:
        horizon, horizon_se = 0.0, math.tan(math.radians(4.0)) * focal
        pitch, pitch_se = None, 5.0
    below = (lead[1] + trail[1]) / 2 - horizon
    if below < 0.1 * torso_px:
        return Standing(yaw_deg=None, yaw_se_deg=10.0, distance_cm=distance, height_cm=None)
    height = below / scale.px_per_cm + FOOT_HEIGHT_CM

    def place(foot: np.ndarray) -> np.ndarray:
        far = distance * below / (foot[1] - horizon)
        return np.array([foot[0] / focal * far, far])

    def off_square(lead_px: np.ndarray, trail_px: np.ndarray) -> float:
        line = place(lead_px) - place(trail_px)
        middle = (place(lead_px) + place(trail_px)) / 2
        ray = middle / np.hypot(*middle)
        away = float(line @ ray)
        across = swing.toward * float(line[0] * ray[1] - line[1] * ray[0])
        if swing.view is View.FACE_ON:
            return math.degrees(math.atan2(away, across))
        return -math.degrees(math.atan2(across, away))

    yaw = off_square(lead, trail)
    step = FOOT_SE[swing.view] * torso_px
    parts = []
    for axis in np.eye(2):
        parts.append(off_square(lead + step * axis, trail) - yaw)
        parts.append(off_square(lead, trail + step * axis) - yaw)
    # Depth goes with the focal length and the horizon, which are not known well.
    share = math.hypot(FOCAL_SHARE_SE / FOCAL_SHARE, horizon_se / below)
    parts += [yaw * share if swing.view is View.FACE_ON else 0.0, AIM_SE_DEG]
    se = math.sqrt(sum(part**2 for part in parts))
    if se > WIDEST_SE_DEG or abs(yaw) > 45.0:
        return Standing(
            yaw_deg=None,
            yaw_se_deg=10.0,
            distance_cm=distance,
            height_cm=height,
            pitch_deg=pitch,
            pitch_se_deg=pitch_se,
        )
    return Standing(
        yaw_deg=yaw,
        yaw_se_deg=se,
        distance_cm=distance,
        height_cm=height,
        pitch_deg=pitch,
        pitch_se_deg=pitch_se,
    )


def _feet(
    swing: SwingSeen, s: float, roll_deg: float
) -> tuple[np.ndarray, np.ndarray, float] | None:
    turn = math.radians(roll_deg)

    def upright(name: str) -> np.ndarray:
        x, y = swing.paths.at(name, s)[0] - swing.centre
        return np.array(
            [x * math.cos(turn) + y * math.sin(turn), -x * math.sin(turn) + y * math.cos(turn)]
        )

    try:
        lead, trail = (
            np.mean([upright(f"{side}_{part}") for part in FEET], axis=0)
            for side in ("lead", "trail")
        )
        ends = [
            (upright(f"lead_{joint}") + upright(f"trail_{joint}")) / 2
            for joint in ("shoulder", "hip")
        ]
    except CannotMeasure:
        return None
    return lead, trail, float(np.hypot(*(ends[0] - ends[1])))
