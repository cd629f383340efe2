"""Pixels to a centimetre, with its error and where it comes from."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Scale"]


@dataclass(frozen=True, kw_only=True)
class Scale:
    """How many pixels a centimetre takes in the golfer's plane."""

    px_per_cm: float  # > 0
    se_px_per_cm: float  # > 0
    sources: tuple[str, ...]  # 'stature', 'club', 'ball', 'reference'
    note: str = ""  # in plain words: where the centimetres come from, and a disagreement

    def __post_init__(self) -> None:
        good = math.isfinite(self.px_per_cm) and math.isfinite(self.se_px_per_cm)
        if not (good and self.px_per_cm > 0 and self.se_px_per_cm > 0):
            raise ValueError(f"a scale and its error are above 0, got {self}")

    @property
    def relative_se(self) -> float:
        """Standard error as a share of the scale."""
        return self.se_px_per_cm / self.px_per_cm
