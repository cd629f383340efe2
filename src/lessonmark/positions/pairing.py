"""The same swing seen by two cameras: found, and its times carried from one clip to the other.

The two clips' clocks have nothing to do with each other. What they share is the swing: the strike
that both hear, the time from the start to the top and from the top to impact, and the order in
which the swings were made. Impact, found best of all positions, gives the offset of the clocks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from lessonmark.language import say
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Position

__all__ = ["Pair", "SwingSeen", "lend", "pair_swings"]

# Positions whose spacing from impact is compared: those that both views see on the body.
_COMPARED = (Position.P3, Position.P4, Position.P5, Position.P9)
# What the two views may see differently though it is one swing, s. Common practice, no source.
VIEWS_DIFFER_S = 0.012
# Above this chi-square for each compared position two swings are not the same.
LEAST_ALIKE = 9.0
# The files of one swing are finished within this of each other when phones keep their own
# clocks, s. Common practice, no source.
FILES_APART_S = 20.0
# Positions that one view may lend the other: all but impact, at which the clocks are joined. The
# side view sees the shaft of P2, P6 and P8 poorly, and the front view most others better, too.
LENT = tuple(position for position in Position if position is not Position.P7)


@dataclass(frozen=True, kw_only=True)
class SwingSeen:
    """One swing in one clip, as far as pairing needs it."""

    positions: SwingPositions
    recorded_s: float | None = None  # when the clip was recorded, any clock, s; None: unknown


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Two sights of one swing."""

    front: int  # place in the list of face-on swings
    side: int  # place in the list of down-the-line swings
    offset: Time  # side clock minus front clock; se from both impacts
    misfit: float  # chi-square a compared position: about 1 where it is the same swing
    margin: float  # how much worse the next best partner fits; small = doubtful


def pair_swings(front: Sequence[SwingSeen], side: Sequence[SwingSeen]) -> tuple[Pair, ...]:
    """Pair face-on and down-the-line swings that are the same stroke.

    Parameters
    ----------
    front, side : the swings of one stage in the order in which they were made.

    Returns
    -------
    tuple[Pair, ...] : in the order of `front`. Swings without impact, and those that fit no
        other, are left out.
    """
    if not front or not side:
        return ()
    misfit = np.array([[_misfit(a, b) for b in side] for a in front])
    cost = np.where(np.isfinite(misfit), misfit, 1e6)
    # As many on both sides: most likely filmed together, so the order counts too.
    if len(front) == len(side):
        places = np.arange(len(front))
        cost = cost + 0.5 * (places[:, None] != places[None, :])
    rows, columns = linear_sum_assignment(cost)
    pairs = []
    for i, j in zip(rows, columns, strict=True):
        if misfit[i, j] > LEAST_ALIKE:
            continue
        others = np.concatenate([np.delete(cost[i], j), np.delete(cost[:, j], i)])
        margin = float(others.min() - cost[i, j]) if len(others) else math.inf
        pairs.append(
            Pair(
                front=int(i),
                side=int(j),
                offset=_offset(front[i].positions, side[j].positions),
                misfit=float(misfit[i, j]),
                margin=margin,
            )
        )
    return tuple(pairs)


def lend(
    front: SwingPositions, side: SwingPositions, *, positions: Sequence[Position] = LENT
) -> SwingPositions:
    """Give the side view the positions that the front view sees better.

    Parameters
    ----------
    front, side : the same swing, each on its own clock; both with impact.
    positions : those that may be lent. One is taken where the side view lacks it or knows it
        less well; one placed by hand is never replaced.

    Returns
    -------
    SwingPositions : of the side view, on its clock; a lent time's error holds both impacts'.

    Raises
    ------
    ValueError : a swing has no impact, so that the clocks cannot be joined.
    """
    offset = _offset(front, side)
    found, missing = dict(side.found), dict(side.missing)
    for position in positions:
        if position not in front:
            continue
        own = found.get(position)
        seen = front[position].time
        lent = Time(s=seen.s + offset.s, se=math.hypot(seen.se, offset.se))
        if own is not None and (own.by_hand or own.time.se <= lent.se):
            continue
        candidate = PositionTime(
            position=position,
            time=lent,
            how=say("from the paired face-on clip: {how}", how=front[position].how),
        )
        if _fits(found, candidate):
            found[position] = candidate
            missing.pop(position, None)
    return SwingPositions(
        found={p: found[p] for p in Position if p in found},
        missing={p: missing[p] for p in Position if p in missing},
    )


def _fits(found: dict[Position, PositionTime], new: PositionTime) -> bool:
    return all(
        (at.time.s < new.time.s) == (p.number < new.position.number)
        for p, at in found.items()
        if p is not new.position
    )


def _offset(front: SwingPositions, side: SwingPositions) -> Time:
    if Position.P7 not in front or Position.P7 not in side:
        raise ValueError("two clocks are joined at impact, and one swing has none")
    a, b = front[Position.P7].time, side[Position.P7].time
    return Time(s=b.s - a.s, se=math.hypot(a.se, b.se))


def _misfit(front: SwingSeen, side: SwingSeen) -> float:
    """Chi-square a compared spacing; infinite where they cannot be the same."""
    a, b = front.positions, side.positions
    if Position.P7 not in a or Position.P7 not in b:
        return math.inf
    offset = _offset(a, b)
    total, n = 0.0, 0
    for position in _COMPARED:
        if position not in a or position not in b:
            continue
        difference = b[position].time.s - a[position].time.s - offset.s
        var = a[position].time.se ** 2 + b[position].time.se ** 2 + offset.se**2
        total += difference**2 / (var + VIEWS_DIFFER_S**2)
        n += 1
    if front.recorded_s is not None and side.recorded_s is not None:
        total += ((front.recorded_s - side.recorded_s) / FILES_APART_S) ** 2
        n += 1
    return total / n if n else math.inf
