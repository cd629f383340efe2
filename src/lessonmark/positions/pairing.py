"""The same swing seen by two cameras: found, and its times carried from one clip to the other.

The two clips' clocks have nothing to do with each other. What they share is the swing: the strike
that both hear, the time from the start to the top and from the top to impact, and the order in
which the swings were made. Impact, found best of all positions, gives the offset of the clocks.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from lessonmark.language import say
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Position

__all__ = ["Pair", "SwingSeen", "lend", "pair_swings"]

# Positions whose spacing from impact is compared.
_COMPARED = tuple(position for position in Position if position is not Position.P7)
# One view's idea of a position differs from the other's in the same way in every swing; that is
# learnt from the pairs themselves. Of a position's error so much is not of that kind:
RANDOM_SHARE = 0.4
# and not less than this, s. Common practice, no source.
LEAST_RANDOM_S = 0.003
# Before anything is learnt the views may differ by this much, s.
VIEWS_DIFFER_S = 0.015
# How far the learnt differences may go, s: else a wrong pair explains itself.
LEARNT_AT_MOST_S = 0.04
# Mean chi-square of a spacing, before learning, above which two swings are not the same.
LEAST_ALIKE = 9.0
# Chi-square that speaks against another order, where both cameras have as many swings.
OUT_OF_ORDER = 4.0
_ROUNDS = 4
_NEVER = 1e9
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
    misfit: float  # mean chi-square of the spacings: about 1 or less where it is the same swing
    margin: float  # chi-square by which the next best partner fits worse; below 4 = doubtful


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
    alike = np.array([[_plain_misfit(a, b) for b in side] for a in front])
    order = np.zeros(alike.shape)
    if len(front) == len(side):
        places = np.arange(len(front))
        order = OUT_OF_ORDER * (places[:, None] != places[None, :])
    differs: dict[Position, float] = dict.fromkeys(_COMPARED, 0.0)
    total, rows, columns = alike, np.empty(0, int), np.empty(0, int)
    for _ in range(_ROUNDS):
        total = np.array([[_misfit(a, b, differs) for b in side] for a in front]) + order
        # What is not alike at all is paired last, and then left out.
        total = np.where(alike <= LEAST_ALIKE, total, _NEVER)
        rows, columns = linear_sum_assignment(total)
        kept = [(i, j) for i, j in zip(rows, columns, strict=True) if total[i, j] < _NEVER]
        differs = _views_differ([(front[i].positions, side[j].positions) for i, j in kept])
    pairs = []
    for i, j in zip(rows, columns, strict=True):
        if total[i, j] >= _NEVER:
            continue
        others = np.concatenate([np.delete(total[i], j), np.delete(total[:, j], i)])
        pairs.append(
            Pair(
                front=int(i),
                side=int(j),
                offset=_offset(front[i].positions, side[j].positions),
                misfit=float(alike[i, j]),
                margin=float(others.min() - total[i, j]) if len(others) else math.inf,
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


def _spacings(
    front: SwingPositions, side: SwingPositions
) -> Iterator[tuple[Position, float, float]]:
    """Give each shared position, how much later it is in the side view, s, and that one's se."""
    offset = _offset(front, side)
    for position in _COMPARED:
        if position in front and position in side:
            a, b = front[position].time, side[position].time
            yield position, b.s - a.s - offset.s, math.hypot(a.se, b.se, offset.se)


def _plain_misfit(front: SwingSeen, side: SwingSeen) -> float:
    """Mean chi-square of the spacings; infinite where the two cannot be compared."""
    a, b = front.positions, side.positions
    if Position.P7 not in a or Position.P7 not in b:
        return math.inf
    each = [off**2 / (se**2 + VIEWS_DIFFER_S**2) for _, off, se in _spacings(a, b)] + _file_times(
        front, side
    )
    return sum(each) / len(each) if each else math.inf


def _misfit(front: SwingSeen, side: SwingSeen, differs: dict[Position, float]) -> float:
    """Chi-square of the spacings, less what the views always differ by."""
    a, b = front.positions, side.positions
    if Position.P7 not in a or Position.P7 not in b:
        return _NEVER
    return sum(
        (off - differs[position]) ** 2 / ((RANDOM_SHARE * se) ** 2 + LEAST_RANDOM_S**2)
        for position, off, se in _spacings(a, b)
    ) + sum(_file_times(front, side))


def _file_times(front: SwingSeen, side: SwingSeen) -> list[float]:
    if front.recorded_s is None or side.recorded_s is None:
        return []
    return [((front.recorded_s - side.recorded_s) / FILES_APART_S) ** 2]


def _views_differ(
    pairs: Sequence[tuple[SwingPositions, SwingPositions]],
) -> dict[Position, float]:
    """Learn by how much later the side view sees each position, s; 0 from fewer than 3 pairs."""
    seen: dict[Position, list[float]] = {position: [] for position in _COMPARED}
    for front, side in pairs:
        for position, off, _ in _spacings(front, side):
            seen[position].append(off)
    return {
        position: float(np.clip(np.median(offs), -LEARNT_AT_MOST_S, LEARNT_AT_MOST_S))
        if len(offs) >= 3
        else 0.0
        for position, offs in seen.items()
    }
