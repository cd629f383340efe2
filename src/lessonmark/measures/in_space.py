"""A swing in space at its positions, with the covariance of all that was solved for."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lessonmark.measures.figure import Figure
from lessonmark.words import Position

__all__ = ["JOINTS", "POINTS", "SIDES", "InSpace"]

Array = npt.NDArray[np.float64]

SIDES = ("lead", "trail")
JOINTS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "ear")
POINTS = (*(f"{side}_{joint}" for joint in JOINTS for side in SIDES), "grip_mid", "clubhead")


@dataclass(frozen=True, kw_only=True, eq=False)
class InSpace:
    """A swing in space at its positions, with the covariance of everything that was solved for."""

    positions: tuple[Position, ...]
    points: Array  # (position, point, 3) cm; point in the order of POINTS
    spread: Array  # (parameter, residual of an image coordinate): how errors come through
    total: Array  # covariance of the parameters, (parameter, parameter)
    random_share: Array  # (residual,) share of each image error's variance that is random
    rms_px: float  # what the fit leaves in the pictures
    lengths_cm: dict[str, float]
    seen: tuple[str, ...]  # points that at least one camera saw

    def figure(self, position: Position) -> Figure:
        """The golfer at a position."""
        at = self.positions.index(position)
        return Figure(points={name: self.points[at, k] for k, name in enumerate(POINTS)})

    def errors(self, position: Position, measure: Callable[[Figure], float]) -> tuple[float, float]:
        """Random and total standard error of a measure of one position."""
        at = self.positions.index(position)
        first = at * len(POINTS) * 3
        size = len(POINTS) * 3
        base = self.points[at]
        value = measure(self.figure(position))
        slope = np.zeros(size)
        for i in range(size):
            moved = base.copy()
            moved.flat[i] += 0.1
            figure = Figure(points={name: moved[k] for k, name in enumerate(POINTS)})
            slope[i] = ((measure(figure) - value + 180.0) % 360.0 - 180.0) / 0.1
        block = slice(first, first + size)
        total = float(slope @ self.total[block, block] @ slope)
        through = slope @ self.spread[block]
        random = float((through**2 * self.random_share).sum())
        return math.sqrt(max(random, 1e-6)), math.sqrt(max(total, random, 1e-6))
