"""What moves with what within one player's swings, and whether a coach's chain holds up.

Values are centred within each stage first, so that the lesson's own change makes no link: what is
left is how the swings of one stage differ among themselves. A link is an association; nothing here
says which is the cause.

References
----------
Fisher 1921, Metron 1:3-32 (z); Fisher 1924, Metron 3:329-332 (partial correlation: each variable
taken out costs one swing). Holm 1979 over a chain's links, Benjamini & Hochberg 1995 over a graph.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy import special
from statsmodels.stats.multitest import multipletests

from lessonmark.evidence.compare import LEVEL, NORMAL_975, holm
from lessonmark.language import say
from lessonmark.measures.measured import Measured

__all__ = [
    "Association",
    "ChainLink",
    "ChainStep",
    "LinkVerdict",
    "SwingValues",
    "associate",
    "check_chain",
    "what_moves_together",
]

LEAST_FREE = 6  # swings beyond the stages' means before a link is looked at
LEAST_REAL = 0.5  # share of a measure's scatter that must be the player's, not the camera's
WEAK = 0.3  # a correlation below this is no link worth coaching; Cohen 1988, ch. 3: 'medium'

_Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class SwingValues:
    """What was measured of one swing."""

    stage: str  # the stage, with the lesson's date where several lessons are put together
    values: Mapping[str, Measured]  # by str(MeasureAt)


@dataclass(frozen=True, kw_only=True)
class Association:
    """How two measures go together from swing to swing, stage taken out."""

    first: str
    second: str
    count: int  # swings with both
    free: int = 0  # swings beyond the stages' means
    r: float | None = None  # None: cannot be told, see `reason`
    low: float | None = None  # 95 % interval, Fisher's z
    high: float | None = None
    p: float | None = None  # two-sided, against no association
    p_without: float | None = None  # the largest p with any one swing left out; 1: its sign turns
    q: float | None = None  # false-discovery q value over the graph, from the larger p
    reason: str = ""

    @property
    def p_deciding(self) -> float | None:
        """The p value that a verdict rests on: the worse of all swings and all but one."""
        return None if self.p is None else max(self.p, self.p_without or 0.0)

    @property
    def shown(self) -> bool:
        """Whether it is drawn in the graph."""
        return self.q is not None and self.q <= LEVEL


class LinkVerdict(StrEnum):
    """What this player's swings say about a link of the coach's chain."""

    SUPPORTED = "supported"
    CONTRADICTED = "contradicted"
    CANNOT_SPEAK = "cannot speak"


@dataclass(frozen=True, kw_only=True)
class ChainStep:
    """A step of the coach's chain: 'early slide' is pelvis_shift@P4, more of it."""

    key: str  # str(MeasureAt)
    sign: int = 1  # +1: a high value is what is meant; -1: a low one

    def __post_init__(self) -> None:
        if self.sign not in (1, -1):
            raise ValueError(f"a chain's step points up (1) or down (-1), got {self.sign}")


@dataclass(frozen=True, kw_only=True)
class ChainLink:
    """One arrow of the chain, judged."""

    start: ChainStep
    end: ChainStep
    association: Association
    p_adjusted: float | None  # Holm over the chain's links
    verdict: LinkVerdict
    reason: str  # in plain words


def associate(
    swings: Sequence[SwingValues],
    first: str,
    second: str,
    *,
    coupled: Collection[frozenset[str]] = (),
) -> Association:
    """Correlate two measures within the stages.

    Parameters
    ----------
    swings : of one player; a stage with a single swing says nothing and is left out.
    first, second : str(MeasureAt), two different ones.
    coupled : pairs that are read off the same landmarks and so go together by construction.

    Returns
    -------
    Association : with `r` None and a reason where the swings cannot say.

    Raises
    ------
    ValueError : the same measure twice.
    """
    if first == second:
        raise ValueError(f"a link joins two measures, got {first!r} twice")
    stages: dict[str, list[tuple[Measured, Measured]]] = defaultdict(list)
    for swing in swings:
        if first in swing.values and second in swing.values:
            stages[swing.stage].append((swing.values[first], swing.values[second]))
    groups = [pairs for pairs in stages.values() if len(pairs) >= 2]
    count = sum(map(len, groups))

    def refused(reason: str) -> Association:
        return Association(first=first, second=second, count=count, reason=reason)

    if frozenset((first, second)) in coupled:
        return refused(say("both are read from the same points, so they move together anyway"))
    if count - len(groups) < LEAST_FREE:
        return refused(
            say(
                "too few swings: it takes about {needed} in all",
                needed=LEAST_FREE + max(1, len(groups)),
            )
        )
    x, y = _centred(groups, 0), _centred(groups, 1)
    free = count - len(groups)
    for values, side, key in ((x, 0, first), (y, 1, second)):
        noise = float(np.mean([pair[side].se ** 2 for pairs in groups for pair in pairs]))
        if float(values @ values) / free * (1.0 - LEAST_REAL) < noise:
            return refused(
                say("{key} hardly varies beyond the camera's own error between swings", key=key)
            )
    r = _correlation(x, y)
    low, high = _fisher(r, free)
    return Association(
        first=first,
        second=second,
        count=count,
        free=free,
        r=r,
        low=low,
        high=high,
        p=_p_value(r, free),
        p_without=_p_without(groups, r),
    )


def what_moves_together(
    swings: Sequence[SwingValues],
    keys: Sequence[str],
    *,
    coupled: Collection[frozenset[str]] = (),
) -> tuple[Association, ...]:
    """Correlate every pair of measures, screened with a false-discovery rate, strongest first."""
    found = [associate(swings, a, b, coupled=coupled) for a, b in itertools.combinations(keys, 2)]
    known = {i: link.p_deciding for i, link in enumerate(found) if link.p is not None}
    if known:
        q_values = multipletests(list(known.values()), alpha=LEVEL, method="fdr_bh")[1]
        for i, q in zip(known, q_values, strict=True):
            found[i] = replace(found[i], q=float(q))
    return tuple(sorted(found, key=lambda link: -abs(link.r or 0.0)))


def check_chain(
    swings: Sequence[SwingValues],
    steps: Sequence[ChainStep],
    *,
    coupled: Collection[frozenset[str]] = (),
) -> tuple[ChainLink, ...]:
    """Judge each link of the coach's chain by this player's swings.

    A link is *supported* where the association has the sign that the chain says, clear of zero
    (Holm over the links) whichever one swing is left out; *contradicted* where it is as clearly of
    the other sign, or where a one-sided bound (5 % shared among the links) leaves no room for a
    link of `WEAK` or more; otherwise the swings *cannot speak*.

    Raises
    ------
    ValueError : fewer than two steps.
    """
    if len(steps) < 2:
        raise ValueError(f"a chain has at least two steps, got {len(steps)}")
    pairs = list(itertools.pairwise(steps))
    found = [associate(swings, a.key, b.key, coupled=coupled) for a, b in pairs]
    known = [link.p_deciding for link in found]
    adjusted = iter(holm([p for p in known if p is not None]))
    one_sided = float(special.ndtri(1.0 - LEVEL / max(1, sum(p is not None for p in known))))
    return tuple(
        _judge(a, b, link, None if link.p is None else next(adjusted), one_sided)
        for (a, b), link in zip(pairs, found, strict=True)
    )


def _judge(
    start: ChainStep, end: ChainStep, link: Association, p: float | None, one_sided: float
) -> ChainLink:
    verdict, reason = LinkVerdict.CANNOT_SPEAK, link.reason
    if link.r is not None and link.p is not None and p is not None:
        as_said = start.sign * end.sign * link.r
        top = _fisher(as_said, link.free, one_sided)[1]
        if p <= LEVEL:
            verdict = LinkVerdict.SUPPORTED if as_said > 0 else LinkVerdict.CONTRADICTED
            reason = (
                say("the two go together as the chain says, from swing to swing")
                if as_said > 0
                else say("the two go together, but the other way round")
            )
        elif top < WEAK:
            verdict = LinkVerdict.CONTRADICTED
            reason = say("if they go together at all, then too weakly to matter")
        elif link.p <= LEVEL < (link.p_without or 0.0):
            reason = say("a single swing carries it")
        else:
            reason = say("these swings fit a link and no link alike")
    return ChainLink(
        start=start, end=end, association=link, p_adjusted=p, verdict=verdict, reason=reason
    )


def _centred(groups: Sequence[Sequence[tuple[Measured, Measured]]], side: int) -> _Numbers:
    parts = []
    for pairs in groups:
        values = np.array([pair[side].value for pair in pairs])
        parts.append(values - values.mean())
    return np.concatenate(parts)


def _correlation(x: _Numbers, y: _Numbers) -> float:
    scale = math.sqrt(float(x @ x) * float(y @ y))
    return 0.0 if scale == 0.0 else max(-1.0, min(1.0, float(x @ y) / scale))


def _fisher(r: float, free: int, point: float = NORMAL_975) -> tuple[float, float]:
    # Fisher 1924: 1 / (n - 3) for one stage, and one swing less for each stage's mean more:
    # free = n - stages, so the variance is 1 / (free - 2).
    z = math.atanh(max(-1 + 1e-12, min(1 - 1e-12, r)))
    half = point / math.sqrt(free - 2)
    return math.tanh(z - half), math.tanh(z + half)


def _p_value(r: float, free: int) -> float:
    df = free - 1
    left = max(1e-300, 1.0 - r * r)
    return 2.0 * float(special.stdtr(df, -abs(r) * math.sqrt(df / left)))


def _p_without(groups: Sequence[Sequence[tuple[Measured, Measured]]], r: float) -> float:
    """Give the largest p value with any one swing left out; 1 where the sign turns."""
    largest = 0.0
    for g, pairs in enumerate(groups):
        for i in range(len(pairs)):
            fewer = [*pairs[:i], *pairs[i + 1 :]]
            kept = [group for group in (*groups[:g], fewer, *groups[g + 1 :]) if len(group) >= 2]
            free = sum(map(len, kept)) - len(kept)
            without = _correlation(_centred(kept, 0), _centred(kept, 1))
            if without * r <= 0:
                return 1.0
            largest = max(largest, _p_value(without, free))
    return largest
