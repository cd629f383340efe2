"""A position as a time with a standard error, and what a swing has of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from lessonmark.words import Position

__all__ = ["PositionTime", "SwingPositions", "Time"]


@dataclass(frozen=True, kw_only=True)
class Time:
    """An instant on the clip's own clock (real seconds, slow motion undone)."""

    s: float
    se: float  # standard error, s, > 0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.s) and math.isfinite(self.se) and self.se > 0):
            raise ValueError(f"a time needs a finite value and an error above 0, got {self}")


@dataclass(frozen=True, kw_only=True)
class PositionTime:
    """When a swing is at a position, and how that is known."""

    position: Position
    time: Time
    how: str  # what it was found from, in plain words: 'shaft', 'sound, ball and clubhead', ...
    by_hand: bool = False  # placed by the coach: kept when the clip is analysed again


@dataclass(frozen=True, kw_only=True)
class SwingPositions:
    """The positions that one swing has, in order, and why the others are missing."""

    found: Mapping[Position, PositionTime] = field(default_factory=dict)
    missing: Mapping[Position, str] = field(default_factory=dict)  # reason in plain words

    def __post_init__(self) -> None:
        at = [self.found[p].time.s for p in Position if p in self.found]
        if any(later <= earlier for earlier, later in pairwise(at)):
            raise ValueError("the positions of a swing must follow each other in time")

    def __contains__(self, position: Position) -> bool:
        return position in self.found

    def __getitem__(self, position: Position) -> PositionTime:
        return self.found[position]
