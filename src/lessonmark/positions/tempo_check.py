"""Question a clip whose tempo is not a human's: its container may lie about the frame rate.

A phone's slow motion, filmed at 240 frames a second and stored to be played at 30, makes a swing
last eight times as long when the container's word is taken.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import xarray as xr

from lessonmark.language import say, say_number
from lessonmark.positions.swings import SwingSpan, find_swings
from lessonmark.positions.times import SwingPositions
from lessonmark.words import Position

__all__ = ["TempoQuestion", "check_tempo", "question_slow_motion"]

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
    options = FACTORS if too_long else tuple(1 / factor for factor in FACTORS)
    factor = min(options, key=lambda f: _unlike(down / f, None if back is None else back / f))
    if too_long:
        return TempoQuestion(question=_slow(say_number(down, 2), fps, factor), slowdown=factor)
    question = say(
        "The downswing lasts {down} s, which is faster than any player's. Was the file sped up, "
        "or its frame rate given too high? It fits {filmed} frames a second as filmed, not {fps}.",
        down=say_number(down, 2),
        filmed=say_number(fps * factor),
        fps=say_number(fps),
    )
    return TempoQuestion(question=question, slowdown=factor)


def question_slow_motion(track: xr.Dataset, *, fps: float) -> TempoQuestion | None:
    """Ask about the frame rate of a clip in which no swing was found.

    A swing that plays eight times slower than life is too slow to be told from other movement.
    It is looked for as if the clip were faster, by each of the usual factors.

    Parameters
    ----------
    track : a body track, on the clock that its container gives.
    fps : frames a second of that clock.

    Returns
    -------
    TempoQuestion | None : None where no factor makes a swing with a human's tempo of it.
    """
    best: tuple[float, int, SwingSpan] | None = None
    for factor in FACTORS:
        faster = track.assign_coords(time=track.time / factor)
        for span in find_swings(faster):
            down, back = span.bottom_s - span.top_s, span.top_s - span.still_s
            if not DOWNSWING_S[0] <= down <= DOWNSWING_S[1] or span.stops_early:
                continue
            unlike = _unlike(down, None if span.starts_at_top or span.cut_short else back)
            if best is None or unlike < best[0]:
                best = (unlike, factor, span)
    if best is None:
        return None
    _, factor, span = best
    down = factor * (span.bottom_s - span.top_s)
    return TempoQuestion(question=_slow(say_number(down, 2), fps, factor), slowdown=factor)


def _unlike(down: float, back: float | None) -> float:
    """How far a tempo is from the usual one, in logarithms."""
    far = abs(math.log(down / TYPICAL_DOWNSWING_S))
    return far if back is None else far + abs(math.log(max(back, 0.01) / TYPICAL_BACKSWING_S))


def _slow(down: str, fps: float, factor: float) -> str:
    return say(
        "The downswing lasts {down} s, which no player's does. Is this a slow-motion file? "
        "It fits {filmed} frames a second as filmed, not {fps}.",
        down=down,
        filmed=say_number(fps * factor),
        fps=say_number(fps),
    )
