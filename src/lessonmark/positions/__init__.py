"""Tracks in; P1 to P10 out, as times with standard errors.

`find_swings` tells where in a clip the swings lie, from the body alone. `find_positions` takes one
of them to a `SwingPositions`: the positions it has, each a time with a standard error and how it
was found, and in words why it lacks the others. `fuse_impact` makes one impact of sound, ball and
clubhead; `pair_swings` and `lend` let the front view serve the side view of the same swing;
`keep_by_hand` carries over what the coach placed; `check_tempo` and `question_slow_motion`
question a clip whose tempo is not a human's.
"""

from lessonmark.positions.by_hand import keep_by_hand, place_by_hand
from lessonmark.positions.find import find_positions
from lessonmark.positions.impact import ImpactSource, fuse_impact
from lessonmark.positions.pairing import Pair, lend, pair_swings
from lessonmark.positions.swings import SwingSpan, find_swings
from lessonmark.positions.tempo_check import TempoQuestion, check_tempo, question_slow_motion
from lessonmark.positions.times import PositionTime, SwingPositions, Time

__all__ = [
    "ImpactSource",
    "Pair",
    "PositionTime",
    "SwingPositions",
    "SwingSpan",
    "TempoQuestion",
    "Time",
    "check_tempo",
    "find_positions",
    "find_swings",
    "fuse_impact",
    "keep_by_hand",
    "lend",
    "pair_swings",
    "place_by_hand",
    "question_slow_motion",
]
