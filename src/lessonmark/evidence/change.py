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
    """Stage B minus stage A, in the measure's unit.

    Where a stage has too few swings to say, every number of the comparison is None.
    """

    verdict: Verdict
    count_a: int  # swings that were used; wild ones set aside are not counted
    count_b: int
    difference: float | None = None  # None: too few swings to say
    low: float | None = None  # 95 % interval
    high: float | None = None
    p: float | None = None  # two-sided, against no difference (Welch)
    p_adjusted: float | None = None  # Holm over the focus measures, on the guarded df: decides
    scatter_a: float | None = None  # swing-to-swing SD as measured
    scatter_b: float | None = None
    detectable: float | None = None  # minimal detectable change of these two means
    smallest_worth: float | None = None
    more_swings: int | None = None  # a stage, to settle it; None: settled, or cannot be told
    as_wanted: bool | None = None  # None: the coach set no direction, or nothing changed
    mean_a: float | None = None
    mean_b: float | None = None
    direction: str = ""  # 'more', 'less', or '' where the coach set none
    standard_error: float | None = None  # of the difference, camera part included
    df: float | None = None  # Welch-Satterthwaite degrees of freedom: the interval and `p`
    df_guarded: float | None = None  # the same held back for small stages: the verdict
    p_not_changed: float | None = None  # two one-sided tests; None: no smallest change was set
    p_not_changed_adjusted: float | None = None  # as `p_adjusted`
    more_after: int | None = None  # of stage B alone, to settle it; None as above
    camera_part: float | None = None  # standard error added because the camera moved; 0: it did not
    wild_a: tuple[int, ...] = ()  # swings of A (from 0) that were set aside as wild
    wild_b: tuple[int, ...] = ()
    focus_count: int = 1  # how many focus measures the adjustment counted
