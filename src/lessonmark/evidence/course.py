"""A measure over lessons and practice: the trend, and what the picture of it needs.

The picture itself is drawn elsewhere; this gives its values: the band of the player's own scatter,
each set of swings as dots, the coach's target window, drills as marks on the time line.

References
----------
Theil 1950, Proc K Ned Akad Wet A 53:386-392; Sen 1968, J Am Stat Assoc 63:1379-1389 (slope and its
interval): needs no even spacing and stands one odd day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from scipy import stats

from lessonmark.evidence.compare import NORMAL_975
from lessonmark.evidence.lasting import LOOK_AGAIN
from lessonmark.evidence.scatter import Scatter, learn_scatter
from lessonmark.evidence.stage_mean import stage_mean
from lessonmark.measures.measured import Measured
from lessonmark.words import Stage

__all__ = [
    "Band",
    "CourseSet",
    "DatedSet",
    "DrillMark",
    "MeasureCourse",
    "Trend",
    "measure_course",
    "swings_for_after",
    "trend",
]

FEWEST_SETS = 5  # dates, below which a trend's interval says nothing: Sen's needs as many
_WEEK = timedelta(days=7)


@dataclass(frozen=True, kw_only=True)
class DatedSet:
    """The swings of one stage on one date."""

    when: datetime
    stage: Stage
    swings: tuple[Measured, ...]

    def __post_init__(self) -> None:
        if not self.swings:
            raise ValueError("a set holds at least one swing")


@dataclass(frozen=True, kw_only=True)
class DrillMark:
    """A drill on the time line."""

    when: datetime
    name: str


@dataclass(frozen=True, kw_only=True)
class Trend:
    """Change a week over irregular dates, by Theil and Sen."""

    per_week: float  # in the measure's unit
    low: float  # 95 %
    high: float
    level: float  # of the line at `start`
    start: datetime
    sets: int

    def at(self, when: datetime) -> float:
        """The line's height on a date."""
        return self.level + self.per_week * ((when - self.start) / _WEEK)


@dataclass(frozen=True, kw_only=True)
class Band:
    """Where 95 of 100 single swings lie, if the player swings as before the lesson."""

    middle: float
    low: float
    high: float
    df: float  # degrees of freedom behind its width
    own_df: float  # of these, from the player's own swings


@dataclass(frozen=True, kw_only=True)
class CourseSet:
    """One column of dots."""

    when: datetime
    stage: Stage
    dots: tuple[float, ...]
    mean: float
    low: float | None  # 95 % interval of the mean; None: a single swing
    high: float | None
    counts: bool  # False for drill swings: shown, never part of a verdict


@dataclass(frozen=True, kw_only=True)
class MeasureCourse:
    """All that the picture of a measure over time is made of."""

    name: str
    unit: str
    sets: tuple[CourseSet, ...]  # by date
    band: Band | None  # None: fewer than two swings before the lesson
    target: tuple[float, float] | None  # the coach's window, low and high
    drills: tuple[DrillMark, ...]
    trend: Trend | None  # None: fewer dates than `FEWEST_SETS`
    look_again: datetime | None  # a week after the last lesson's after swings


def swings_for_after(sets: Sequence[DatedSet]) -> tuple[Measured, ...]:
    """Gather the swings that the 'after' verdict may use: never a drill's, never practice's."""
    return tuple(swing for s in sets if s.stage is Stage.AFTER for swing in s.swings)


def trend(sets: Sequence[DatedSet]) -> Trend | None:
    """Take the trend of the sets' means over their dates; drill swings left out.

    Returns
    -------
    Trend or None : None for fewer than `FEWEST_SETS` dates.
    """
    used = sorted((s for s in sets if s.stage is not Stage.DRILL), key=lambda s: s.when)
    if len({s.when for s in used}) < FEWEST_SETS:
        return None
    weeks = np.array([(s.when - used[0].when) / _WEEK for s in used])
    means = np.array([_mean(s.swings) for s in used])
    found = stats.theilslopes(means, weeks, 0.95)
    return Trend(
        per_week=float(found.slope),
        low=float(found.low_slope),
        high=float(found.high_slope),
        level=float(found.intercept),
        start=used[0].when,
        sets=len(used),
    )


def measure_course(
    sets: Sequence[DatedSet],
    *,
    name: str,
    unit: str,
    target: tuple[float, float] | None = None,
    drills: Sequence[DrillMark] = (),
    prior: Scatter | None = None,
) -> MeasureCourse:
    """Put together a measure's course over lessons and practice.

    Parameters
    ----------
    sets : in any order.
    target : the window that the coach set, low and high; either may be infinite.
    prior : what is known of the player's scatter from elsewhere.

    Raises
    ------
    ValueError : a target window whose low is not below its high.
    """
    if target is not None and not target[0] < target[1]:
        raise ValueError(f"a target window's low lies below its high, got {target}")
    ordered = sorted(sets, key=lambda s: s.when)
    lessons = [s.when for s in ordered if s.stage is Stage.AFTER]
    return MeasureCourse(
        name=name,
        unit=unit,
        sets=tuple(_column(s) for s in ordered),
        band=_band(ordered, prior),
        target=target,
        drills=tuple(sorted(drills, key=lambda mark: mark.when)),
        trend=trend(ordered),
        look_again=max(lessons) + LOOK_AGAIN if lessons else None,
    )


def _mean(swings: Sequence[Measured]) -> float:
    return swings[0].value if len(swings) == 1 else stage_mean(swings).mean


def _column(dated: DatedSet) -> CourseSet:
    low = high = None
    if len(dated.swings) >= 2:
        stage = stage_mean(dated.swings)
        half = float(stats.t.ppf(0.975, stage.df)) * stage.standard_error
        low, high = stage.mean - half, stage.mean + half
    return CourseSet(
        when=dated.when,
        stage=dated.stage,
        dots=tuple(swing.value for swing in dated.swings),
        mean=_mean(dated.swings),
        low=low,
        high=high,
        counts=dated.stage is not Stage.DRILL,
    )


def _band(ordered: Sequence[DatedSet], prior: Scatter | None) -> Band | None:
    before = [s for s in ordered if s.stage is Stage.BEFORE and len(s.swings) >= 2]
    if not before:
        return None
    first = before[0]
    scatter = learn_scatter([s.swings for s in ordered if s.stage is not Stage.DRILL], prior=prior)
    assert scatter is not None  # for the types: the first stage has two swings
    middle = stage_mean(first.swings).mean
    half = NORMAL_975 * scatter.sd
    return Band(
        middle=middle,
        low=middle - half,
        high=middle + half,
        df=scatter.df,
        own_df=scatter.df - (0.0 if prior is None else prior.df),
    )
