"""An obstacle behind the ball, and whether a clubhead's path touches it.

The obstacle reaches across the line, from the ball's line toward the feet, so that only the plane
of target line and upright decides. Lengths in cm; the ball's foot is the origin, along is + toward
the target, so behind the ball is negative.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from lessonmark.drills.obstacle_path import ClubPath, head_radius_cm
from lessonmark.errors import RecordError
from lessonmark.language import say

__all__ = [
    "Obstacle",
    "Shape",
    "SwingClearance",
    "clearances",
    "surface_distance",
    "swing_clearance",
]

Array = npt.NDArray[np.float64]
DISTANCES_CM = (5.0, 120.0)
HEIGHTS_CM = (1.0, 60.0)


class Shape(StrEnum):
    """The obstacle's outline as seen face-on."""

    ROUND = "round"  # a noodle that lies across
    BOX = "box"  # a rolled towel, a carton, a foam block


@dataclass(frozen=True, kw_only=True)
class Obstacle:
    """A soft obstacle on the ground behind the ball."""

    distance_cm: float  # its near edge from the ball's middle
    height_cm: float
    depth_cm: float | None = None  # along the line; None: as deep as high
    shape: Shape = Shape.BOX

    def __post_init__(self) -> None:
        for name, value, (low, high) in (
            (say("distance"), self.distance_cm, DISTANCES_CM),
            (say("height"), self.height_cm, HEIGHTS_CM),
        ):
            if not (math.isfinite(value) and low <= value <= high):
                raise RecordError(
                    say("an obstacle's {name} of {value} cm cannot be", name=name, value=value),
                    do=say("give {low:.0f} to {high:.0f} cm", low=low, high=high),
                )

    @property
    def deep_cm(self) -> float:
        """How deep it is along the line; a round one is as deep as high."""
        if self.shape is Shape.ROUND or self.depth_cm is None:
            return self.height_cm
        return self.depth_cm


@dataclass(frozen=True, kw_only=True)
class SwingClearance:
    """How far one swing's clubhead stays from an obstacle on the way down."""

    swing_id: str
    clearance_cm: float  # + clear, - inside; best estimate
    se_cm: float  # of this one value against the truth, systematic part included
    systematic_cm: float  # the part that all swings of a camera set-up share
    touch: float  # chance that it touches, 0 to 1
    touch_back: float | None  # the same going back; None: not seen

    @property
    def is_outside_error(self) -> bool:
        """Whether touch or clear is settled: nought lies outside the 95 % interval."""
        return abs(self.clearance_cm) > 1.96 * self.se_cm


def surface_distance(places: Array, obstacle: Obstacle) -> Array:
    """Distance of places (..., 2) from the obstacle's surface, cm, negative inside."""
    if obstacle.shape is Shape.ROUND:
        radius = obstacle.height_cm / 2
        middle = np.array([-obstacle.distance_cm - radius, radius])
        return np.asarray(np.linalg.norm(places - middle, axis=-1) - radius)
    half = np.array([obstacle.deep_cm / 2, obstacle.height_cm / 2])
    middle = np.array([-obstacle.distance_cm - half[0], half[1]])
    beyond = np.abs(places - middle) - half
    outside = np.linalg.norm(np.maximum(beyond, 0.0), axis=-1)
    return np.asarray(outside + np.minimum(beyond.max(axis=-1), 0.0))


def swing_clearance(path: ClubPath, obstacle: Obstacle) -> SwingClearance:
    """Measure how far a swing's clubhead stays from an obstacle, with its error."""
    return clearances([path], obstacle)[0]


def _clearance(path: ClubPath, down: Array, obstacle: Obstacle, shared: float) -> SwingClearance:
    head = head_radius_cm(path.club_length_cm)
    back = None
    if path.back.shape[1]:
        going = surface_distance(path.back, obstacle).min(axis=1) - head
        back = float(np.mean(going[1:] < 0.0))
    spread = float(np.std(down[1:], ddof=1))
    return SwingClearance(
        swing_id=path.swing_id,
        clearance_cm=float(down[0]),
        se_cm=max(spread, 0.05),
        systematic_cm=min(shared, spread),
        touch=float(np.mean(down[1:] < 0.0)),
        touch_back=back,
    )


def clearances(paths: Sequence[ClubPath], obstacle: Obstacle) -> tuple[SwingClearance, ...]:
    """Measure several swings of one camera set-up; what they share is told apart."""
    head = [head_radius_cm(path.club_length_cm) for path in paths]
    drawn = [
        surface_distance(path.down, obstacle).min(axis=1) - size
        for path, size in zip(paths, head, strict=True)
    ]
    shared = 0.0
    if len(drawn) > 1:
        # Draw by draw the set-up's errors are the same: what swings have in common is theirs.
        both = np.cov(np.array(drawn)[:, 1:])
        off = both[~np.eye(len(drawn), dtype=bool)]
        shared = math.sqrt(max(float(off.mean()), 0.0))
    return tuple(
        _clearance(path, down, obstacle, shared) for path, down in zip(paths, drawn, strict=True)
    )
