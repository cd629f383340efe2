"""Where the lines of a measure lie on the still of a position, image px."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lessonmark.errors import CannotMeasure
from lessonmark.measures.posture import Vector
from lessonmark.measures.registry import Drawn, Measure
from lessonmark.measures.seen import SwingSeen
from lessonmark.words import Position

__all__ = ["LineSeen", "drawn_lines"]

REFERENCE_LENGTH = 0.9  # of a plumb or level line, in torsos


@dataclass(frozen=True, kw_only=True)
class LineSeen:
    """A line over a still, in the clip's own pixels."""

    points: tuple[tuple[float, float], ...]
    role: str  # 'measured' or 'reference'


def drawn_lines(entry: Measure, swing: SwingSeen, position: Position) -> tuple[LineSeen, ...]:
    """List the lines that show a measure on the still of a position.

    A line whose points are hidden then is left out; a span measure is drawn at whichever position
    is asked for.
    """
    if position not in swing.positions:
        return ()
    lines = []
    for drawn in entry.draws:
        try:
            lines.append(_line(drawn, swing, position))
        except CannotMeasure:
            continue
    return tuple(lines)


def _line(drawn: Drawn, swing: SwingSeen, position: Position) -> LineSeen:
    now = swing.positions[position].time.s
    points = [_point(name, swing, now) for name in drawn.points]
    if drawn.kind == "then":
        if Position.P1 not in swing.positions:
            raise CannotMeasure("address was not found")
        then = _point(drawn.points[0], swing, swing.positions[Position.P1].time.s)
        points = [then, points[0]]
    if drawn.kind in ("plumb", "level"):
        points = _reference(drawn.kind, points[0], swing, now)
    return LineSeen(
        points=tuple((float(x), float(y)) for x, y in points),
        role=drawn.role,
    )


def _reference(kind: str, through: Vector, swing: SwingSeen, s: float) -> list[Vector]:
    roll = math.radians(swing.camera.roll_deg if swing.camera else 0.0)
    torso = _point("mid_shoulder", swing, s) - _point("mid_hip", swing, s)
    reach = REFERENCE_LENGTH * max(float(np.hypot(*torso)), swing.height / 20)
    if kind == "plumb":
        up = np.array([math.sin(roll), -math.cos(roll)])
        return [through - 0.35 * reach * up, through + reach * up]
    level = np.array([math.cos(roll), math.sin(roll)])
    return [through - 0.7 * reach * level, through + 0.7 * reach * level]


def _point(name: str, swing: SwingSeen, s: float) -> Vector:
    if name == "ball":
        if swing.ball is None:
            raise CannotMeasure("the ball was not found")
        return np.array([swing.ball.x, swing.ball.y])
    if name.startswith("mid_"):
        pair = [swing.paths.at(f"{side}_{name[4:]}", s)[0] for side in ("lead", "trail")]
        return np.asarray((pair[0] + pair[1]) / 2, dtype=float)
    return swing.paths.at(name, s)[0]
