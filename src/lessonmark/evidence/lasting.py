"""Did it last: the share of a change that a later day's swings still show.

Performance in practice is not learning. A drill's or practice's swings never enter the 'after'
side, and no verdict is given from swings less than a day after the lesson.

References
----------
Fieller 1954, J R Stat Soc B 16:175-185 (interval of a ratio of correlated means).
Kantak & Winstein 2012, Behav Brain Res, doi 10.1016/j.bbr.2011.11.028 (delayed tests); Schmidt &
Lee 2019 for the usual 24 hours.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum

from scipy import special

from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.compare import FEWEST_SWINGS, compare
from lessonmark.evidence.stage_mean import StageMean, stage_mean
from lessonmark.evidence.wording import decimals_for, quantity
from lessonmark.language import say, say_number
from lessonmark.measures.measured import Measured

__all__ = [
    "LOOK_AGAIN",
    "TOO_SOON",
    "Lasted",
    "Retention",
    "Share",
    "fieller",
    "lasting_sentence",
    "look_again_sentence",
    "retention",
    "share_still_there",
]

TOO_SOON = timedelta(hours=24)
LOOK_AGAIN = timedelta(days=7)  # 'look again in a week'; common practice, no source
WIDEST_SHARE = 2.0  # an interval wider than this says nothing of a share; no source
MOST_OF_IT = 0.5  # a change lasted where at least half is surely there; common practice, no source


class Lasted(StrEnum):
    """What a retest says about a change."""

    LASTED = "lasted"
    FADED = "faded"
    NOT_SETTLED = "not settled yet"
    TOO_SOON = "too soon to say"
    TOO_FEW = "too few swings"
    NOTHING_TO_KEEP = "no change to keep"


@dataclass(frozen=True, kw_only=True)
class Share:
    """A share of a change with its interval; 1 is all of it, 0 none."""

    share: float
    standard_error: float  # by the delta method
    low: float  # 95 %, Fieller
    high: float
    df: float  # infinite: the normal distribution was used


@dataclass(frozen=True, kw_only=True)
class Retention:
    """A retest judged."""

    verdict: Lasted
    days: float  # since the lesson
    against_before: Change | None = None  # retest minus before, camera taken as moved
    share: Share | None = None  # None: nothing to take a share of


def fieller(
    top: float, bottom: float, var_top: float, var_bottom: float, covariance: float, point: float
) -> tuple[float, float] | None:
    """Give the interval of top / bottom; None where the bottom is not clear of zero.

    Parameters
    ----------
    top, bottom : the two means.
    var_top, var_bottom, covariance : of the two means.
    point : the distribution's two-sided point, 1.96 for the normal at 95 %.

    References
    ----------
    Fieller 1954: the roots of (top - r bottom)^2 = point^2 (var_top - 2 r cov + r^2 var_bottom).
    """
    square = bottom**2 - point**2 * var_bottom
    if square <= 0:
        return None
    half = top * bottom - point**2 * covariance
    inside = half**2 - square * (top**2 - point**2 * var_top)
    root = math.sqrt(max(0.0, inside))
    return (half - root) / square, (half + root) / square


def share_still_there(
    before: StageMean,
    after: StageMean,
    retest: StageMean,
    *,
    camera_moved: bool = False,
    normal: bool = False,
) -> Share | None:
    """Take (retest - before) / (after - before) with its interval.

    Numerator and denominator share the before stage, so its variance enters their covariance. The
    retest is another day and another camera set-up; `camera_moved` says whether before and after
    had different ones too.

    Parameters
    ----------
    normal : use the normal point instead of Student's t with Satterthwaite's df.

    Returns
    -------
    Share or None : None where the change itself is not clear of zero.
    """
    top, bottom = retest.mean - before.mean, after.mean - before.mean
    a, b, c = (stage.standard_error**2 for stage in (before, after, retest))
    var_top = a + c + before.camera**2 + retest.camera**2
    var_bottom, covariance = a + b, a
    if camera_moved:
        var_bottom += before.camera**2 + after.camera**2
        covariance += before.camera**2
    if bottom == 0:
        return None
    share = top / bottom
    # Variance of retest - share * after - (1 - share) * before, part by part.
    parts = ((1 - share) ** 2 * a, share**2 * b, c)
    total = var_top - 2 * share * covariance + share**2 * var_bottom
    spread = sum(
        part**2 / stage.df for part, stage in zip(parts, (before, after, retest), strict=True)
    )
    df = math.inf if normal else total**2 / spread
    point = float(special.ndtri(0.975)) if normal else float(special.stdtrit(df, 0.975))
    interval = fieller(top, bottom, var_top, var_bottom, covariance, point)
    if interval is None:
        return None
    return Share(
        share=share,
        standard_error=math.sqrt(total) / abs(bottom),
        low=interval[0],
        high=interval[1],
        df=df,
    )


def retention(
    change: Change,
    before: Sequence[Measured],
    after: Sequence[Measured],
    retest: Sequence[Measured],
    *,
    since: timedelta,
    camera_moved: bool = False,
) -> Retention:
    """Judge what a retest shows of a lesson's change.

    Parameters
    ----------
    change : the lesson's own comparison, its verdict decided over the focus measures; the swings
        that it set aside as wild are left out here too.
    before, after : the lesson's swings, drill swings left out.
    retest : a later day's opening swings.
    since : from the lesson's end to the retest.
    camera_moved : whether before and after had different camera set-ups.

    Raises
    ------
    ValueError : the retest lies before the lesson.
    """
    if since < timedelta(0):
        raise ValueError("a retest comes after the lesson")
    days = since / timedelta(days=1)
    if since < TOO_SOON:
        return Retention(verdict=Lasted.TOO_SOON, days=days)
    if len(retest) < FEWEST_SWINGS or change.verdict is Verdict.TOO_FEW:
        return Retention(verdict=Lasted.TOO_FEW, days=days)
    against = compare(
        before,
        retest,
        smallest_worth=change.smallest_worth or 0.0,
        direction=change.direction,
        camera_moved=True,
    )
    if change.verdict is not Verdict.CHANGED:
        return Retention(verdict=Lasted.NOTHING_TO_KEEP, days=days, against_before=against)
    share = share_still_there(
        stage_mean(_without(before, change.wild_a)),
        stage_mean(_without(after, change.wild_b)),
        stage_mean(_without(retest, against.wild_b)),
        camera_moved=camera_moved,
    )
    verdict = Lasted.NOT_SETTLED
    if share is not None and share.low >= MOST_OF_IT:
        verdict = Lasted.LASTED
    elif share is not None and share.high < MOST_OF_IT:
        verdict = Lasted.FADED
    return Retention(verdict=verdict, days=days, against_before=against, share=share)


def lasting_sentence(retention: Retention, name: str, unit: str) -> str:
    """Say what became of a change, in a player's words."""
    title = name[:1].upper() + name[1:]
    match retention.verdict:
        case Lasted.TOO_SOON:
            return say(
                "{name}: too soon to say. Swings of the same day show the lesson, not what stays; "
                "look again in a week.",
                name=title,
            )
        case Lasted.TOO_FEW:
            return say(
                "{name}: too few swings to say; it takes at least {least}.",
                name=title,
                least=FEWEST_SWINGS,
            )
        case Lasted.NOTHING_TO_KEEP:
            return say(
                "{name}: the lesson's own change was not settled, so there is no share of it to "
                "give.",
                name=title,
            )
        case _:
            pass
    share = retention.share
    if share is None:
        return say("{name}: not settled yet whether it lasted.", name=title)
    percent = {
        "share": _percent(share.share),
        "low": _percent(share.low),
        "high": _percent(share.high),
    }
    words = {
        Lasted.LASTED: say("{name} has lasted.", name=title),
        Lasted.FADED: say("{name} has mostly gone back.", name=title),
        Lasted.NOT_SETTLED: say("{name}: not settled yet whether it lasted.", name=title),
    }[retention.verdict]
    if share.high - share.low > WIDEST_SHARE:
        numbers = say(
            "Between the days nearly anything is possible, from {low} to {high} of the change "
            "(95 % interval): film more swings, the camera where it stood before.",
            **percent,
        )
    elif share.share <= 0:
        numbers = say(
            "By the best reading nothing of the change is left (95 % interval of its share {low} "
            "to {high}).",
            **percent,
        )
    else:
        numbers = say(
            "About {share} of the change is still there (95 % interval {low} to {high}).", **percent
        )
    against = retention.against_before
    now = ""
    if against is not None and against.mean_a is not None and against.mean_b is not None:
        decimals = decimals_for(against.standard_error or 0.0)
        now = say(
            "It was {before} before the lesson and is {now} now.",
            before=quantity(against.mean_a, unit, decimals),
            now=quantity(against.mean_b, unit, decimals),
        )
    return " ".join(part for part in (words, numbers, now) if part)


def look_again_sentence() -> str:
    """Say on a lesson's sheet that the day's swings are not the last word."""
    return say(
        "Swings of the same day show what the lesson did, not what stays: look again in a week."
    )


def _percent(share: float) -> str:
    return say("{number} %", number=say_number(5 * round(20 * share)))  # to the nearest 5


def _without(swings: Sequence[Measured], wild: Sequence[int]) -> list[Measured]:
    return [swing for i, swing in enumerate(swings) if i not in wild]
