"""Question a clip whose tempo is not a human's: its container may lie about the frame rate.

A phone's slow motion, filmed at 240 frames a second and stored to be played at 30, makes a swing
last eight times as long when the container's word is taken.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from lessonmark.language import say, say_number
from lessonmark.positions.times import SwingPositions
from lessonmark.words import Position

__all__ = ["TempoQuestion", "check_tempo"]

# Backswing and downswing of tour players, s: 0.70 to 1.00 and 0.233 to 0.333, average golfers
# slower overall (Grober and Cholewicki 2008, "Towards a biomechanical understanding of tempo in
# the golf swing", who report them from an earlier book). Widened for half swings, juniors,
# seniors and slow drills: common practice, no source.
BACKSWING_S = (0.40, 2.0)
DOWNSWING_S = (0.16, 0.60)
TYPICAL_BACKSWING_S = 0.85
TYPICAL_DOWNSWING_S = 0.28
# How many times slower a file may play than life: 60, 120 or 240 frames a second stored at 30.
FACTORS = (2, 4, 8)


@dataclass(frozen=True, kw_only=True)
class TempoQuestion:
    """What to ask the coach about a clip's frame rate."""

    question: str  # in plain words
    slowdown: float  # the likeliest factor: the times found are to be divided by it


def check_tempo(positions: SwingPositions, *, fps: float) -> TempoQuestion | None:
    """Ask about the frame rate where the swing's tempo is not a human's.

    Parameters
    ----------
    fps : frames a second that the times were computed with.

    Returns
    -------
    TempoQuestion | None : None where the tempo is human, or cannot be told (no top or impact).
    """
    if Position.P4 not in positions or Position.P7 not in positions:
        return None
    top, impact = positions[Position.P4].time.s, positions[Position.P7].time.s
    down = impact - top
    back = top - positions[Position.P1].time.s if Position.P1 in positions else None
    too_long = down > DOWNSWING_S[1]
    too_short = down < DOWNSWING_S[0]
    # A slow start on purpose is human, a slow downswing hardly; so the downswing decides, and
    # the backswing must not speak against it.
    if back is not None:
        too_long = too_long and back > BACKSWING_S[1] / 2
        too_short = too_short and back < BACKSWING_S[0]
    if not (too_long or too_short):
        return None
    ratio = down / TYPICAL_DOWNSWING_S
    if back is not None:
        ratio = math.sqrt(ratio * back / TYPICAL_BACKSWING_S)
    options = FACTORS if too_long else tuple(1 / factor for factor in FACTORS)
    factor = min(options, key=lambda f: abs(math.log(f / ratio)))
    if too_long:
        question = say(
            "The downswing lasts {down} s, which no player's does. Is this a slow-motion file? "
            "It fits {filmed} frames a second as filmed, not {fps}.",
            down=say_number(down, 2),
            filmed=say_number(fps * factor),
            fps=say_number(fps),
        )
    else:
        question = say(
            "The downswing lasts {down} s, which is faster than any player's. Was the file sped "
            "up, or its frame rate given too high? It fits {filmed} frames a second as filmed, "
            "not {fps}.",
            down=say_number(down, 2),
            filmed=say_number(fps * factor),
            fps=say_number(fps),
        )
    return TempoQuestion(question=question, slowdown=factor)
