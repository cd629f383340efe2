"""A measured value with its error, or the reason why there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lessonmark.words import Position

__all__ = ["MeasureAt", "Measured", "Refused"]


@dataclass(frozen=True, kw_only=True)
class Measured:
    """One measure of one swing."""

    value: float  # in the unit of the catalogue entry
    se: float  # random standard error, same unit, always > 0
    systematic: float  # standard error shared by a camera set-up's swings: cancels in a difference

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.se) and self.se > 0):
            raise ValueError(f"a measure needs a finite value and an error above 0, got {self}")
        if not (math.isfinite(self.systematic) and self.systematic >= 0):
            raise ValueError(f"a systematic error is finite and not negative, got {self}")

    @property
    def total_se(self) -> float:
        """Standard error of this one value against the truth, same unit."""
        return math.hypot(self.se, self.systematic)


@dataclass(frozen=True, kw_only=True)
class Refused:
    """Why a measure could not be had from this footage, and what would help."""

    reason: str
    do: str = ""


@dataclass(frozen=True, kw_only=True, order=True)
class MeasureAt:
    """A measure at a position, or over the whole swing where `position` is None."""

    measure: str  # id in the catalogue
    position: Position | None = None

    def __str__(self) -> str:
        return self.measure if self.position is None else f"{self.measure}@{self.position}"

    @classmethod
    def parse(cls, text: str) -> MeasureAt:
        """Read 'side_bend@P6' or 'tempo'; raises ValueError for an unknown position."""
        measure, _, position = text.partition("@")
        return cls(measure=measure, position=Position(position) if position else None)
