"""Say a measure's course in words: the trend, the target window, and what the band stands on."""

from __future__ import annotations

import math

from lessonmark.evidence.course import FEWEST_SETS, CourseSet, MeasureCourse
from lessonmark.evidence.wording import decimals_for, quantity
from lessonmark.language import say, say_n

__all__ = ["band_sentence", "target_sentence", "trend_sentence"]


def trend_sentence(course: MeasureCourse) -> str:
    """Say the trend with its interval; an interval that holds 0 is no trend."""
    trend = course.trend
    if trend is None:
        return say(
            "Too few days for a trend: it takes {least} days with swings, a drill's left out.",
            least=FEWEST_SETS,
        )
    decimals = decimals_for((trend.high - trend.low) / 4)
    numbers = {
        "low": quantity(trend.low, course.unit, decimals),
        "high": quantity(trend.high, course.unit, decimals),
        "size": quantity(abs(trend.per_week), course.unit, decimals),
    }
    if trend.low <= 0 <= trend.high:
        return say(
            "No trend that stands out: a week changes it by something between {low} and {high} "
            "(95 % interval).",
            **numbers,
        )
    if trend.per_week > 0:
        return say(
            "It rises by about {size} a week (95 % interval {low} to {high}); dates need not be "
            "even for this.",
            **numbers,
        )
    return say(
        "It falls by about {size} a week (95 % interval {low} to {high}); dates need not be even "
        "for this.",
        **numbers,
    )


def target_sentence(course: MeasureCourse) -> str:
    """Say how many of the latest set's swings lie in the coach's window; nothing without one."""
    if course.target is None:
        return ""
    counted = [one for one in course.sets if one.counts]
    if not counted:
        return ""
    last = counted[-1]
    low, high = course.target
    return say_n(
        "Of the latest {n} swing {inside} lies in the target window ({window}).",
        "Of the latest {n} swings {inside} lie in the target window ({window}).",
        len(last.dots),
        inside=_inside(last, low, high),
        window=_window(low, high, course.unit),
    )


def band_sentence(course: MeasureCourse) -> str:
    """Say what the band is and what its width was learnt from."""
    band = course.band
    if band is None:
        return say("No band: it takes two swings before a lesson.")
    decimals = decimals_for((band.high - band.low) / 8)
    ends = {
        "low": quantity(band.low, course.unit, decimals),
        "high": quantity(band.high, course.unit, decimals),
    }
    if band.own_df >= band.df - band.own_df:
        return say(
            "The band is where 95 of 100 swings would lie without any change, {low} to {high}; its "
            "width is mostly the player's own scatter.",
            **ends,
        )
    return say(
        "The band is where 95 of 100 swings would lie without any change, {low} to {high}; its "
        "width still rests mostly on what is usual, until there are more swings.",
        **ends,
    )


def _inside(one: CourseSet, low: float, high: float) -> int:
    return sum(low <= value <= high for value in one.dots)


def _window(low: float, high: float, unit: str) -> str:
    if math.isinf(low):
        return say("at most {high}", high=quantity(high, unit, 1))
    if math.isinf(high):
        return say("at least {low}", low=quantity(low, unit, 1))
    return say("{low} to {high}", low=quantity(low, unit, 1), high=quantity(high, unit, 1))
