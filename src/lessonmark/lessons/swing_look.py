"""What the viewer draws over a swing's frames, and a measure along the swing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lessonmark.errors import CannotMeasure, RecordError
from lessonmark.language import say
from lessonmark.lessons.analyser import ClipJob, Curve, CurveLine, Moves, SwingLook
from lessonmark.lessons.findings import SwingFinding
from lessonmark.lessons.kept_swing import kept_finding, moved_paths, seen_swing
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.reading import Disturbance, Reading
from lessonmark.measures.registry import entry as catalogue_entry
from lessonmark.words import Position

__all__ = ["look_of", "measure_curve"]

# What the viewer joins by a line; the far side too, so that a coach sees what was found there.
JOINED = (
    ("lead_shoulder", "trail_shoulder"),
    ("lead_hip", "trail_hip"),
    ("lead_shoulder", "lead_hip"),
    ("trail_shoulder", "trail_hip"),
    ("lead_shoulder", "lead_elbow"),
    ("lead_elbow", "lead_wrist"),
    ("trail_shoulder", "trail_elbow"),
    ("trail_elbow", "trail_wrist"),
    ("lead_hip", "lead_knee"),
    ("lead_knee", "lead_ankle"),
    ("trail_hip", "trail_knee"),
    ("trail_knee", "trail_ankle"),
    ("lead_ankle", "lead_foot_index"),
    ("trail_ankle", "trail_foot_index"),
    ("grip_butt", "clubhead"),
)
SHOWN = tuple(
    dict.fromkeys(
        [name for pair in JOINED for name in pair]
        + ["lead_ear", "trail_ear", "lead_heel", "trail_heel", "grip_mid"]
    )
)


def look_of(job: ClipJob, swing: SwingFinding, moves: Moves) -> SwingLook:
    """Give what the viewer draws over a swing's frames."""
    clip = kept_finding(job, swing)
    track = moved_paths(job, clip, moves)
    names = [name for name in SHOWN if name in track["keypoint"].values]
    place = track["position"].transpose("keypoint", "time", "space")
    return SwingLook(
        times=tuple(np.round(track["time"].values.astype(float), 6).tolist()),
        paths={
            name: tuple(_point(xy) for xy in place.sel(keypoint=name).values.tolist())
            for name in names
        },
        joined=tuple(pair for pair in JOINED if set(pair) <= set(names)),
        toward=swing.toward,
        ball=(swing.ball.x, swing.ball.y) if swing.ball else None,
    )


def measure_curve(job: ClipJob, swing: SwingFinding, moves: Moves, at: MeasureAt) -> Curve:
    """Give a measure along the swing."""
    try:
        entry = catalogue_entry(at.measure)
    except KeyError as err:
        raise RecordError(
            say("there is no measure of that name"), do=say("choose one from the list")
        ) from err
    lines = tuple(CurveLine(points=one.points, kind=one.kind) for one in entry.draws)
    seen = seen_swing(job, kept_finding(job, swing), swing, moves)
    # What a reading takes the depth of the body to be hangs on its position: between two of
    # them both are taken and blended. Address itself is never moved: others hang on it.
    bases = [p for p in swing.positions.found if p is not Position.P1]
    if entry.is_span or not bases:
        return Curve(times=(), values=(), lines=lines)
    readings = [
        (swing.positions[p].time.s, p, Reading(swing=seen, entry=entry, position=p)) for p in bases
    ]
    frames = seen.paths.times
    frames = frames[(frames >= swing.span_s[0]) & (frames <= swing.span_s[1])]
    return Curve(
        times=tuple(frames.tolist()),
        values=tuple(_blended(readings, float(s)) for s in frames),
        lines=lines,
    )


def _blended(readings: Sequence[tuple[float, Position, Reading]], s: float) -> float | None:
    later = next((n for n, (at, *_) in enumerate(readings) if at >= s), len(readings) - 1)
    earlier = max(later - 1, 0)
    start, stop = readings[earlier][0], readings[later][0]
    share = min(max((s - start) / (stop - start), 0.0), 1.0) if stop > start else 1.0
    try:
        ends = [
            reading.value(Disturbance(times={base: s - at}))
            for at, base, reading in (readings[earlier], readings[later])
        ]
    except CannotMeasure:
        return None
    return round((1 - share) * ends[0] + share * ends[1], 3)


def _point(xy: list[float]) -> tuple[float, float] | None:
    x, y = xy
    return None if x != x or y != y else (round(x, 1), round(y, 1))
