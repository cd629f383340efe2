"""The planned obstacle, drawn to scale with the measured paths, as face-on shows it."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
import numpy.typing as npt

from lessonmark.drills.obstacle import Shape
from lessonmark.drills.obstacle_path import BALL_RADIUS_CM, ClubPath, head_radius_cm
from lessonmark.drills.obstacle_plan import ObstaclePlan, both_units
from lessonmark.language import say
from lessonmark.words import Handedness

__all__ = ["obstacle_picture"]

_PX_PER_CM = 7.0
_BEHIND_CM, _AHEAD_CM, _ABOVE_CM, _BELOW_CM = 92.0, 14.0, 45.0, 24.0
_INK, _PAPER, _SOFT = "#1d1d1b", "#ffffff", "#8a8a86"


def obstacle_picture(
    plan: ObstaclePlan,
    present: Sequence[ClubPath],
    wanted: Sequence[ClubPath] = (),
    *,
    handedness: Handedness = Handedness.RIGHT,
) -> str:
    """Draw the plan as a stand-alone SVG, to scale; target to the right, a left-hander's mirrored.

    Full lines are the middle of the clubhead in the swings of now, dashed ones in the wanted; the
    grey band is the error of the first.
    """
    mirrored = handedness is Handedness.LEFT
    wide, tall = (_BEHIND_CM + _AHEAD_CM) * _PX_PER_CM, (_ABOVE_CM + _BELOW_CM) * _PX_PER_CM

    def px(along: float, up: float) -> tuple[float, float]:
        x = (along + _BEHIND_CM) * _PX_PER_CM
        return (wide - x if mirrored else x), (_ABOVE_CM - up) * _PX_PER_CM

    def line(points: npt.NDArray[np.float64], extra: str) -> str:
        inside = points[(points[:, 0] > -_BEHIND_CM) & (points[:, 1] < _ABOVE_CM)]
        spots = " ".join("{:.1f},{:.1f}".format(*px(x, y)) for x, y in inside[::6])
        return f'<polyline points="{spots}" fill="none" stroke="{_INK}" {extra}/>'

    def ruled(
        a: tuple[float, float], b: tuple[float, float], weight: float, ink: str = _INK
    ) -> str:
        (x1, y1), (x2, y2) = px(*a), px(*b)
        return (
            f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{ink}" '
            f'stroke-width="{weight:g}"/>'
        )

    def text(at: tuple[float, float], words: str, anchor: str = "middle") -> str:
        x, y = px(*at)
        if mirrored and anchor != "middle":
            anchor = {"start": "end", "end": "start"}[anchor]
        return (
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="15" '
            f'font-family="serif" fill="{_INK}">{escape(words)}</text>'
        )

    target = plan.target
    parts = [f'<rect width="{wide:.0f}" height="{tall:.0f}" fill="{_PAPER}"/>']
    parts.append(_band(present[0], px) if present else "")
    parts.append(ruled((-_BEHIND_CM, 0), (_AHEAD_CM, 0), 2, _SOFT))
    left, right = px(-target.distance_cm - target.deep_cm, 0)[0], px(-target.distance_cm, 0)[0]
    top = px(0, target.height_cm)[1]
    size = target.height_cm * _PX_PER_CM
    round_by = size / 2 if target.shape is Shape.ROUND else 3
    parts.append(
        f'<rect x="{min(left, right):.1f}" y="{top:.1f}" width="{abs(right - left):.1f}" '
        f'height="{size:.1f}" rx="{round_by:.1f}" fill="#e4e0d4" stroke="{_INK}" '
        f'stroke-width="1.5" stroke-dasharray="4 3"/>'
    )
    parts += [line(path.best, 'stroke-width="2"') for path in present]
    parts += [line(path.best, 'stroke-width="2.5" stroke-dasharray="9 6"') for path in wanted]
    x, y = px(0, BALL_RADIUS_CM)
    parts.append(
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{BALL_RADIUS_CM * _PX_PER_CM:.1f}" fill="{_PAPER}" '
        f'stroke="{_INK}" stroke-width="2"/>'
    )
    # Measured off below the ground: the distance, then the stairs.
    parts += [
        ruled((-target.distance_cm, -4), (0, -4), 1.2),
        ruled((-target.distance_cm, -2.5), (-target.distance_cm, -5.5), 1.2),
        ruled((0, -2.5), (0, -5.5), 1.2),
        text((-target.distance_cm / 2, -7.2), both_units(target.distance_cm)),
        text(
            (-target.distance_cm - target.deep_cm - 1.5, target.height_cm / 2),
            both_units(target.height_cm),
            "end",
        ),
    ]
    for number, distance in enumerate(plan.stairs_cm, start=1):
        parts += [
            ruled((-distance, -10), (-distance, -12), 1.2),
            text((-distance, -14.6), str(number)),
        ]
    parts.append(
        text((-_BEHIND_CM + 1, -21), say("1 is the easy place; the last is the target."), "start")
    )
    if present:
        head = head_radius_cm(present[0].club_length_cm)
        x, y = px(_AHEAD_CM - 4, _ABOVE_CM - 11)
        parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{head * _PX_PER_CM:.1f}" fill="none" '
            f'stroke="{_INK}" stroke-width="1.5"/>'
        )
        parts.append(text((_AHEAD_CM - 8, _ABOVE_CM - 12), say("size of the clubhead"), "end"))
    parts.append(text((_AHEAD_CM - 1, _ABOVE_CM - 3), say("to the target"), "end"))
    title = escape(say("Obstacle behind the ball, to scale"))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.0f} {tall:.0f}" role="img" '
        f'aria-label="{title}"><title>{title}</title>{"".join(parts)}</svg>\n'
    )


def _band(path: ClubPath, px: object) -> str:
    assert callable(px)
    low, high = np.quantile(path.down[1:, :, 1], (0.025, 0.975), axis=0)
    along = path.best[:, 0]
    inside = (along > -_BEHIND_CM) & (high < _ABOVE_CM)
    there = list(zip(along[inside], low[inside], strict=True))[::6]
    back = list(zip(along[inside], high[inside], strict=True))[::-6]
    spots = " ".join("{:.1f},{:.1f}".format(*px(x, y)) for x, y in (*there, *back))
    return f'<polygon points="{spots}" fill="#d9d9d6" stroke="none"/>'
