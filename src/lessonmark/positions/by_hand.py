"""Positions that the coach placed: half a frame of error, kept when the clip is analysed again."""

from __future__ import annotations

import math

from lessonmark.language import say, say_number
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Position

__all__ = ["keep_by_hand", "place_by_hand"]


def place_by_hand(
    positions: SwingPositions, position: Position, at_s: float, *, fps: float
) -> SwingPositions:
    """Move a position to where the coach says, or add it.

    Parameters
    ----------
    at_s : on the clip's own clock, s.
    fps : frames a second as filmed: the error is half a frame.

    Raises
    ------
    ValueError : the place contradicts the order of the positions; nothing is changed then.
    """
    if not (math.isfinite(fps) and fps > 0):
        raise ValueError(f"a frame rate must be above 0, got {fps}")
    placed = PositionTime(
        position=position,
        time=Time(s=at_s, se=0.5 / fps),
        how=say("placed by hand"),
        by_hand=True,
    )
    for other in Position:
        if other is position or other not in positions:
            continue
        before = other.number < position.number
        if (positions[other].time.s >= at_s) if before else (positions[other].time.s <= at_s):
            raise ValueError(
                say(
                    "{position} at {at} s would lie {side} {other} at {other_at} s",
                    position=position.value,
                    at=say_number(at_s, 3),
                    side=say("before") if before else say("after"),
                    other=other.value,
                    other_at=say_number(positions[other].time.s, 3),
                )
            )
    return _with({**positions.found, position: placed}, dict(positions.missing))


def keep_by_hand(earlier: SwingPositions, again: SwingPositions) -> SwingPositions:
    """Carry what was placed by hand over to a fresh analysis of the same swing.

    Where the fresh analysis contradicts the order with a place set by hand, the hand wins and the
    other position is missing, with its reason.
    """
    kept = {p: at for p, at in earlier.found.items() if at.by_hand}
    found, missing = dict(again.found), dict(again.missing)
    for position, at in kept.items():
        found[position] = at
        for other, time in list(found.items()):
            if other in kept:
                continue
            wrong_side = (time.time.s >= at.time.s) == (other.number < position.number)
            if wrong_side or time.time.s == at.time.s:
                del found[other]
                missing[other] = say(
                    "what was found does not fit the order with {other}, placed by hand",
                    other=position.value,
                )
    return _with(found, missing)


def _with(found: dict[Position, PositionTime], missing: dict[Position, str]) -> SwingPositions:
    return SwingPositions(
        found={p: found[p] for p in Position if p in found},
        missing={p: missing[p] for p in Position if p in missing and p not in found},
    )
