"""Plane geometry of the measures: angles in degrees, from vectors (first axis, up)."""

from __future__ import annotations

import numpy as np

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.posture import Vector

__all__ = ["between", "flexion", "from_vertical", "length", "line_tilt", "turn"]

# A line shorter than this has no direction worth a number, in the posture's unit (cm or % torso).
SHORTEST_LINE = 2.0


def length(vector: Vector) -> float:
    """Length of a vector, in its own unit."""
    return float(np.hypot(vector[0], vector[1]))


def _long_enough(vector: Vector) -> Vector:
    if length(vector) < SHORTEST_LINE:
        raise CannotMeasure(
            say("this line is seen end on from here"),
            do=say("film it from the other side of the golfer as well"),
        )
    return vector


def from_vertical(vector: Vector) -> float:
    """Angle of a vector to straight up, deg, + toward the first axis, -180 to 180."""
    _long_enough(vector)
    return float(np.degrees(np.arctan2(vector[0], vector[1])))


def line_tilt(trail: Vector, lead: Vector) -> float:
    """Angle of a line to the horizontal, deg, + where the trail end is lower, -90 to 90."""
    across = _long_enough(lead - trail)
    return float(np.degrees(np.arctan2(across[1], abs(across[0]))))


def between(a: Vector, b: Vector) -> float:
    """Angle between two vectors, deg, 0 to 180."""
    _long_enough(a), _long_enough(b)
    return float(np.degrees(np.arctan2(abs(a[0] * b[1] - a[1] * b[0]), float(a @ b))))


def turn(a: Vector, b: Vector) -> float:
    """Angle from `a` to `b`, deg, + from the first axis toward up, -180 to 180."""
    _long_enough(a), _long_enough(b)
    return float(np.degrees(np.arctan2(a[0] * b[1] - a[1] * b[0], float(a @ b))))


def flexion(proximal: Vector, joint: Vector, distal: Vector) -> float:
    """Bend of a joint, deg: 0 where its two limbs make one line."""
    return 180.0 - between(proximal - joint, distal - joint)
