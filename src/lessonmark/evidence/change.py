"""The change of one measure between two stages, with its interval and verdict."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Change", "Verdict"]


class Verdict(StrEnum):
    """The four wordings of DESIGN.md, section 8."""

    CHANGED = "changed"
    NOT_CHANGED = "not changed"
    NOT_SETTLED = "not settled yet"
    TOO_FEW = "too few swings"


@dataclass(frozen=True, kw_only=True)
class Change:
    """Stage B minus stage A, in the measure's unit."""

    verdict: Verdict
    count_a: int
    count_b: int
    difference: float | None = None  # None: too few swings to say
    low: float | None = None  # 95 % interval
    high: float | None = None
    p: float | None = None  # two-sided, against no difference
    p_adjusted: float | None = None  # Holm over the focus measures
    scatter_a: float | None = None  # swing-to-swing SD
    scatter_b: float | None = None
    detectable: float | None = None  # minimal detectable change of these two means
    smallest_worth: float | None = None
    more_swings: int | None = None  # a stage, to settle it; None: settled, or cannot be told
    as_wanted: bool | None = None  # None: the coach set no direction, or nothing changed
