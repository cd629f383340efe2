"""Tracks and positions in; named numbers with their errors out, or the reason why not.

`measure_swing` takes a `SwingSeen` (one swing in one clip, with what is known of camera and scale)
and gives every measure of the catalogue that its view shows, as `Measured` or `Refused`.
"""

from __future__ import annotations

from lessonmark.measures.drawing import LineSeen, drawn_lines
from lessonmark.measures.measured import MeasureAt, Measured, Refused
from lessonmark.measures.measuring import measure_swing, unit_of
from lessonmark.measures.registry import Measure, catalogue, entry
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import BallSeen, SwingSeen, usual_toward

__all__ = [
    "BallSeen",
    "LineSeen",
    "Measure",
    "MeasureAt",
    "Measured",
    "Refused",
    "Scale",
    "SwingSeen",
    "catalogue",
    "drawn_lines",
    "entry",
    "measure_swing",
    "unit_of",
    "usual_toward",
]
