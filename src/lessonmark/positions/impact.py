"""Sound, ball and clubhead in; one time of impact with one standard error out.

Each source may be absent, and each may be wrong altogether (a neighbour's strike, a shadow taken
for the ball). So the largest set of sources that agree with each other is averaged, the others
are named and left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from lessonmark.language import say
from lessonmark.positions.times import PositionTime, Time
from lessonmark.words import Position

__all__ = ["BALL", "CLUB", "HANDS", "SOUND", "ImpactSource", "fuse_impact"]

SOUND, BALL, CLUB, HANDS = "sound", "ball", "clubhead", "hands"
# When two sets are as large, the one whose sources are the harder to fool wins.
_TRUST = {SOUND: 4.0, CLUB: 3.0, BALL: 2.0, HANDS: 1.0}
# Two sources agree when they differ by less than this many standard errors of their difference.
AGREE_WITHIN = 3.0


@dataclass(frozen=True, kw_only=True)
class ImpactSource:
    """One source's word on the time of impact, on the clip's own clock."""

    kind: str  # SOUND, BALL, CLUB or HANDS
    time: Time


def fuse_impact(sources: Iterable[ImpactSource]) -> PositionTime | None:
    """Fuse what was heard and seen into one time.

    Parameters
    ----------
    sources : any number, several of one kind allowed (strikes heard on a busy range): at most
        one of a kind is used.

    Returns
    -------
    PositionTime | None : P7, `how` saying which agreed and which did not; None without sources.

    References
    ----------
    Weighted mean and its error; the error is widened by the scatter of the sources where that is
    larger than their own errors say (Birge ratio; Birge 1932, Phys Rev 40:207, from memory).
    """
    given = list(sources)
    best: tuple[tuple[float, float], tuple[ImpactSource, ...]] | None = None
    for n in range(1, len({source.kind for source in given}) + 1):
        for group in combinations(given, n):
            if len({source.kind for source in group}) < n or not _agree(group):
                continue
            rank = (
                sum(_TRUST[source.kind] for source in group),
                -_chi2([source.time for source in group]),
            )
            if best is None or rank > best[0]:
                best = (rank, group)
    if best is None:
        return None
    agreed = best[1]
    kinds = {source.kind for source in agreed}
    others = sorted({source.kind for source in given} - kinds, key=lambda kind: -_TRUST[kind])
    return PositionTime(
        position=Position.P7,
        time=_mean_of([source.time for source in agreed]),
        how=_how(agreed, others),
    )


def _agree(group: Sequence[ImpactSource]) -> bool:
    return all(
        abs(a.time.s - b.time.s) <= AGREE_WITHIN * math.hypot(a.time.se, b.time.se)
        for a, b in combinations(group, 2)
    )


def _mean_of(times: Sequence[Time]) -> Time:
    """Average times by their errors; scatter beyond them widens the error (Birge ratio)."""
    weights = [time.se**-2 for time in times]
    total = sum(weights)
    mean = sum(w * time.s for w, time in zip(weights, times, strict=True)) / total
    birge = math.sqrt(max(_chi2(times) / max(len(times) - 1, 1), 1.0))
    return Time(s=mean, se=birge / math.sqrt(total))


def _chi2(times: Sequence[Time]) -> float:
    total = sum(time.se**-2 for time in times)
    mean = sum(time.s * time.se**-2 for time in times) / total
    return sum(((time.s - mean) / time.se) ** 2 for time in times)


def _how(agreed: Sequence[ImpactSource], others: Sequence[str]) -> str:
    words = {
        SOUND: say("sound"),
        BALL: say("ball"),
        CLUB: say("clubhead"),
        HANDS: say("hands"),
    }
    kinds = sorted({source.kind for source in agreed}, key=lambda kind: -_TRUST[kind])
    names = ", ".join(words[kind] for kind in kinds)
    if others:
        return say(
            "{sources} (not used, it disagrees: {others})",
            sources=names,
            others=", ".join(words[kind] for kind in others),
        )
    return names
