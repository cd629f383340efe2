"""A whole swing, for the measures that are taken over a span and not at a position."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lessonmark.measures.posture import Posture, Vector
from lessonmark.words import Position

__all__ = ["Swing"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Swing:
    """What a span measure may read: position times, postures at any time, an obstacle."""

    time: Callable[[Position], float]  # s; raises CannotMeasure where a position is missing
    at: Callable[[float], Posture]  # the golfer at any time of the clip, s
    path: Callable[[str, Array], Array]  # a point (time, 2) at times (time,) s, as `at` gives it
    times: Callable[[float, float], tuple[float, ...]]  # frame times from, to (inclusive), s
    obstacle: Callable[[], tuple[Vector, ...]]  # corners in the posture's axes; may refuse

    def posture(self, position: Position) -> Posture:
        """The golfer at a position."""
        return self.at(self.time(position))
