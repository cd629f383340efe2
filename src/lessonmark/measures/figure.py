"""A golfer in space at one instant, and the measures that only two cameras can give."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lessonmark.measures.registry import in_space

__all__ = ["Figure"]

Vector3 = npt.NDArray[np.float64]  # shape (3,): along toward the target, out to the ball, up; cm
ARRAY_UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, kw_only=True)
class Figure:
    """The golfer's joints in space at one instant, cm: (along, out, up)."""

    points: Mapping[str, Vector3]

    def __getitem__(self, name: str) -> Vector3:
        if name.startswith("mid_"):
            pair = [self.points[f"{side}_{name[4:]}"] for side in ("lead", "trail")]
            return np.asarray((pair[0] + pair[1]) / 2, dtype=float)
        return self.points[name]


def _across(figure: Figure, joint: str) -> Vector3:
    return figure[f"lead_{joint}"] - figure[f"trail_{joint}"]


def _turn(figure: Figure, joint: str) -> float:
    line = _across(figure, joint)
    # The lead side comes out toward the ball as the body turns away from the target.
    return math.degrees(math.atan2(float(line[1]), float(line[0])))


def _tilt(figure: Figure, joint: str) -> float:
    line = _across(figure, joint)
    return math.degrees(math.atan2(float(line[2]), math.hypot(float(line[0]), float(line[1]))))


def _in_pelvis(figure: Figure) -> tuple[float, float, float]:
    """Trunk line in the pelvis's own axes: (to the lead side, forward, up along the pelvis)."""
    side = _across(figure, "hip")
    side = side / np.linalg.norm(side)
    up = ARRAY_UP - float(ARRAY_UP @ side) * side
    up = up / np.linalg.norm(up)
    # Forward is the way the belt buckle points: out toward the ball for a square pelvis. The axes
    # along, out, up are a left-handed set for a right-hander, so it is spelled out.
    forward = np.array(
        [
            up[1] * side[2] - up[2] * side[1],
            up[2] * side[0] - up[0] * side[2],
            up[0] * side[1] - up[1] * side[0],
        ]
    )
    trunk = figure["mid_shoulder"] - figure["mid_hip"]
    return float(trunk @ side), float(trunk @ forward), float(trunk @ up)


@in_space(
    id="shoulder_turn",
    name="shoulder turn",
    unit="deg",
    reads="how far the shoulders have turned",
    sign="+ away from the target",
    definition="line of the shoulders seen from above, to the target line",
    usual="at P4 roughly 80 to 100 (common practice, no source)",
)
def shoulder_turn(figure: Figure) -> float:
    """Turn of the shoulder line about the vertical, deg, + away from the target."""
    return _turn(figure, "shoulder")


@in_space(
    id="pelvis_turn",
    name="hip turn",
    unit="deg",
    reads="how far the hips have turned",
    sign="+ away from the target, - open to it",
    definition="line of the hips seen from above, to the target line",
    usual="at P7 open by 42 ± 10 (men), 52 ± 11 (women), professionals (Zheng et al. 2008)",
)
def pelvis_turn(figure: Figure) -> float:
    """Turn of the hip line about the vertical, deg, + away from the target."""
    return _turn(figure, "hip")


@in_space(
    id="separation",
    name="shoulders against hips",
    unit="deg",
    reads="how far the shoulders have turned past the hips",
    sign="+ shoulders turned further away from the target than the hips",
    definition="shoulder turn minus hip turn",
    usual="at P4 roughly 35 to 60 (common practice, no source)",
)
def separation(figure: Figure) -> float:
    """Shoulder turn minus hip turn, deg."""
    return (shoulder_turn(figure) - pelvis_turn(figure) + 180.0) % 360.0 - 180.0


@in_space(
    id="true_shoulder_tilt",
    name="true shoulder tilt",
    unit="deg",
    reads="level or dropped shoulder, whichever way the chest faces",
    sign="+ trail shoulder lower",
    definition="line of the shoulders to the ground, in space",
    usual="at P7 roughly 20 to 35 (from memory)",
)
def true_shoulder_tilt(figure: Figure) -> float:
    """Slope of the shoulder line in space, deg, + trail shoulder lower."""
    return _tilt(figure, "shoulder")


@in_space(
    id="true_pelvis_tilt",
    name="true belt tilt",
    unit="deg",
    reads="level or tilted belt, whichever way the belt faces",
    sign="+ trail hip lower",
    definition="line of the hips to the ground, in space",
    usual="at P7 roughly 5 to 12 (from memory)",
)
def true_pelvis_tilt(figure: Figure) -> float:
    """Slope of the hip line in space, deg, + trail hip lower."""
    return _tilt(figure, "hip")


@in_space(
    id="true_side_bend",
    name="true side bend",
    unit="deg",
    reads="bend of the trunk to the trail side, in the body's own axes",
    sign="+ to the trail side",
    definition="trunk line to the plane square to the hip line, in space",
    usual="at P7 roughly 10 to 30 (common practice, no source)",
)
def true_side_bend(figure: Figure) -> float:
    """Angle of the trunk line out of the pelvis's middle plane, deg, + to the trail side."""
    side, forward, up = _in_pelvis(figure)
    return -math.degrees(math.atan2(side, math.hypot(forward, up)))


@in_space(
    id="true_forward_bend",
    name="true forward bend",
    unit="deg",
    reads="bend of the trunk forward, in the body's own axes",
    sign="+ forward",
    definition="trunk line to the upright of the pelvis, in the pelvis's middle plane, in space",
    usual="professionals at the top, to the vertical: men 31 ± 4, women 25 ± 4 (Zheng et al. 2008)",
)
def true_forward_bend(figure: Figure) -> float:
    """Bend of the trunk line forward in the pelvis's middle plane, deg, + forward."""
    _, forward, up = _in_pelvis(figure)
    return math.degrees(math.atan2(forward, up))
