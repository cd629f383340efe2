"""The order of the positions: enforced, never repaired."""

from __future__ import annotations

from itertools import pairwise

from lessonmark.language import say
from lessonmark.positions.times import PositionTime, SwingPositions
from lessonmark.words import Position

__all__ = ["in_order"]

# The order of two found positions is doubted when they lie nearer than this, s.
NO_LESS_APART_S = 0.001


def in_order(found: dict[Position, PositionTime], missing: dict[Position, str]) -> SwingPositions:
    """Drop what contradicts the order: of two neighbours the one with the larger error."""
    kept = dict(found)
    gone = dict(missing)
    while True:
        order = [kept[p] for p in Position if p in kept]
        clash = [(a, b) for a, b in pairwise(order) if b.time.s <= a.time.s + NO_LESS_APART_S]
        if not clash:
            break
        a, b = clash[0]
        worse, better = (a, b) if a.time.se >= b.time.se else (b, a)
        del kept[worse.position]
        gone[worse.position] = say(
            "what was found does not fit the order with {other}", other=better.position.value
        )
    return SwingPositions(
        found={p: kept[p] for p in Position if p in kept},
        missing={p: gone[p] for p in Position if p in gone and p not in kept},
    )
