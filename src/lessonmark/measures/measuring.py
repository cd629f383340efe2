"""Take every measure of a swing, with its errors: the one path that all measures share.

Random part: each point that the measure reads is moved along the axes of its own error ellipse by
one standard error, both ways, and so is the position's time; half the differences add in squares
(GUM, JCGM 100:2008, eq. 10; eq. 13 within a point, whose coordinates err together). Where the
measure bends over that distance, the errors are drawn at random instead (JCGM 101:2008). Spans
that read whole paths are drawn at random with errors that last as long as a smoothed track's do.

Systematic part, shared by the swings of one camera set-up: roll, off square, perspective, the
scale, and where the network's landmarks lie by definition (`systematic.py`).
"""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.disturbance import Disturbance, Key
from lessonmark.measures.measured import MeasureAt, Measured, Refused
from lessonmark.measures.reading import Reading
from lessonmark.measures.registry import Measure, catalogue
from lessonmark.measures.seen import SwingSeen
from lessonmark.measures.systematic import systematic_se
from lessonmark.words import Position

__all__ = ["measure_swing", "unit_of"]

# Second-order share of a contribution above which the linear law is left for random draws.
BENT = 0.15
DRAWS = 300
PATH_DRAWS = 30
# How long a smoothed keypoint's error lasts, s: about the smoother's own width.
ERROR_LASTS_S = 0.04
# A camera that is surely further off square than this shows another plane than the one that is
# spoken of: at 20 deg lean is wrong by 13 deg and more (docs/filming.md).
OFF_SQUARE_DEG = 20.0
SEED = 20
# A reading whose random error is larger than the first, or whose whole error is larger than the
# second, is no reading: the limb is seen nearly end on, or the track is too rough. In the entry's
# unit; common practice, no source. The whole error may be the larger, for what swings of one
# camera share cancels between stages.
TOO_WIDE = {"deg": (15.0, 40.0), "cm": (10.0, 30.0)}


def measure_swing(
    swing: SwingSeen, *, only: Collection[str] | None = None
) -> tuple[dict[str, Measured], dict[str, Refused]]:
    """Take the measures of a swing at all its positions.

    Parameters
    ----------
    swing : the swing as seen in one clip.
    only : measure ids to take; None for all of the view's.

    Returns
    -------
    measured, refused : by `str(MeasureAt)`; a measure that the view does not show is in neither.
    """
    measured: dict[str, Measured] = {}
    refused: dict[str, Refused] = {}
    for entry in catalogue():
        if entry.needs_two_views or swing.view not in entry.views:
            continue
        if only is not None and entry.id not in only:
            continue
        positions = entry.positions_from(swing.view)
        for position in (None,) if entry.is_span else positions:
            key = str(MeasureAt(measure=entry.id, position=position))
            try:
                measured[key] = _measure(swing, entry, position)
            except CannotMeasure as why:
                refused[key] = Refused(reason=why.what, do=why.do)
    return measured, refused


def unit_of(entry: Measure, *, scaled: bool) -> str:
    """Name the unit that a measure comes in, with or without a scale."""
    return "% torso" if entry.unit == "cm" and not scaled else entry.unit


def _measure(swing: SwingSeen, entry: Measure, position: Position | None) -> Measured:
    _refuse_footage(swing, entry)
    reading = Reading(swing=swing, entry=entry, position=position)
    value = reading.value()
    points = dict(reading.read)
    variance = _time_variance(reading, value)
    if entry.is_span:
        variance += _path_variance(reading, value) if points else 0.0
    else:
        variance += _point_variance(reading, value, points)
    systematic = systematic_se(reading, value, points)
    # A reading is never finer than its last written digit.
    floor = 1e-3 if entry.unit in ("deg", "cm", "ms") else 1e-4
    se = max(math.sqrt(variance), floor)
    _refuse_wide(entry, se, math.hypot(se, systematic))
    return Measured(value=value, se=se, systematic=systematic)


def _refuse_footage(swing: SwingSeen, entry: Measure) -> None:
    if swing.fps < entry.least_fps:
        raise CannotMeasure(
            say(
                "{fps:.0f} frames a second are too few for {measure}",
                fps=swing.fps,
                measure=entry.name,
            ),
            do=say("film at {fps:.0f} frames a second or more", fps=entry.least_fps),
        )
    camera = swing.camera
    if entry.at is not None and camera is not None and camera.yaw_deg is not None:
        surely = abs(camera.yaw_deg) - 1.96 * camera.yaw_se_deg
        if surely > OFF_SQUARE_DEG:
            raise CannotMeasure(
                say("the camera is about {deg:.0f}° off square", deg=abs(camera.yaw_deg)),
                do=say("film square to the target line: the filming guide shows how"),
            )
    if entry.unit == "m/s" and swing.scale is None:
        raise CannotMeasure(
            say("a speed needs a scale in centimetres"),
            do=say("enter the player's height, or lay a club of known length in the picture"),
        )


def _refuse_wide(entry: Measure, se: float, total: float) -> None:
    most = TOO_WIDE.get(entry.unit, (math.inf, math.inf))
    if se > most[0] or total > most[1]:
        raise CannotMeasure(
            say(
                "it could be off by {error:.0f} {unit} here: what it reads is seen nearly end on",
                error=1.96 * min(total, 500.0),
                unit=entry.unit,
            ),
            do=say("read it in the other view, or at another position"),
        )


def _time_variance(reading: Reading, value: float) -> float:
    variance = 0.0
    for position, se in reading.time_errors().items():
        change = [
            reading.difference(value, Disturbance(times={position: sign * se}))
            for sign in (1.0, -1.0)
        ]
        variance += ((change[0] - change[1]) / 2) ** 2
    return variance


def _point_variance(reading: Reading, value: float, points: dict[Key, tuple[float, ...]]) -> float:
    linear = bend = 0.0
    for key in points:
        for step in reading.axes(key):
            ahead = reading.difference(value, Disturbance(points={key: step}))
            back = reading.difference(value, Disturbance(points={key: -step}))
            linear += ((ahead - back) / 2) ** 2
            bend += ((ahead + back) / 2) ** 2
    if bend <= BENT**2 * linear:
        return linear
    rng = np.random.default_rng(SEED)
    drawn = []
    for _ in range(DRAWS):
        steps = {
            key: np.sum([rng.standard_normal() * axis for axis in reading.axes(key)], axis=0)
            for key in points
        }
        try:
            drawn.append(reading.difference(value, Disturbance(points=steps)))
        except CannotMeasure:
            continue
    return float(np.mean(np.square(drawn))) if len(drawn) > DRAWS / 2 else math.inf


def _path_variance(reading: Reading, value: float) -> float:
    rng = np.random.default_rng(SEED)
    start, stop = reading.span_s()
    # Knots closer than the errors last, so that what lies between is well drawn by interpolation.
    knots = np.arange(start - 0.1, stop + 0.1, ERROR_LASTS_S / 2)
    apart = np.abs(knots[:, None] - knots[None, :]) / ERROR_LASTS_S
    root = np.linalg.cholesky(np.exp(-0.5 * apart**2) + 1e-8 * np.eye(len(knots)))
    names = sorted({key.name for key in reading.read})
    drawn = []
    for _ in range(PATH_DRAWS):
        waves = {name: root @ rng.standard_normal((len(knots), 2)) for name in names}
        try:
            drawn.append(reading.difference(value, Disturbance(waves=waves, knots=knots)))
        except CannotMeasure:
            continue
    if len(drawn) < PATH_DRAWS / 2:
        raise CannotMeasure(
            say("the track is too rough for this here"),
            do=say("film closer, in better light, at more frames a second"),
        )
    return float(np.mean(np.square(drawn)))
