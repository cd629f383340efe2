"""A small drawing of a drill, made by code from its kind and dimensions; no picture is stored.

Face-on, a right-hander, target to the right; a left-hander's is the mirror image. One unit is a
centimetre. Lines tell body and obstacle apart by weight and dash, not by colour.
"""

from __future__ import annotations

from html import escape
from math import cos, radians, sin

from lessonmark.drills.library import Constraint, Drill
from lessonmark.words import Handedness

__all__ = ["drill_drawing"]

_WIDE, _TALL = 260, 230
_GROUND = 208.0
_INK, _SOFT = "#1d1d1b", "#8a8a86"
_HUB = (118.0, 76.0)  # middle of the shoulders
_ARM, _CLUB = 54.0, 72.0
_BALL_X = 130.0
# Direction of arm and shaft, deg from straight down, + toward the target; by what the drill shows.
_POSE: dict[Constraint, tuple[float, float]] = {
    Constraint.OBSTACLE: (-8.0, -42.0),
    Constraint.STOP_EARLY: (-22.0, -92.0),
    Constraint.SHORT_BACKSWING: (-80.0, -150.0),
    Constraint.SET: (-10.0, -50.0),
    Constraint.SLOW_MOTION: (-60.0, -150.0),
    Constraint.FEET_TOGETHER: (-40.0, -110.0),
    Constraint.STEP: (-80.0, -160.0),
    Constraint.PAUSE: (-130.0, -262.0),
    Constraint.RHYTHM: (-60.0, -140.0),
    Constraint.CONTACT: (-30.0, -80.0),
    Constraint.ONE_ARM: (-35.0, -95.0),
    Constraint.SPLIT_HANDS: (-25.0, -85.0),
    Constraint.GROUND_TARGET: (12.0, 4.0),
    Constraint.VARIED: (-50.0, -120.0),
}


def drill_drawing(drill: Drill, *, handedness: Handedness = Handedness.RIGHT) -> str:
    """Draw a drill as a stand-alone SVG, with its name as the drawing's title."""
    arm, shaft = _pose(drill)
    parts = [_line((8, _GROUND), (_WIDE - 8, _GROUND), 1.5, _SOFT)]
    parts += _body(drill)
    hands = _from(_HUB, arm, _ARM)
    head = _from(hands, shaft, _CLUB)
    parts.append(_line(_HUB, hands, 5))
    parts.append(_line(hands, head, 2))
    parts.append(_circle(head, 4.5))
    if "no_ball" not in drill.cautions and drill.constraint is not Constraint.SLOW_MOTION:
        parts.append(_circle((_BALL_X, _GROUND - 3), 3, fill="#ffffff"))
    parts += _constraint(drill, hands)
    flip = f' transform="translate({_WIDE} 0) scale(-1 1)"' if handedness is Handedness.LEFT else ""
    title = escape(drill.said().name)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE} {_TALL}" role="img" '
        f'aria-label="{title}"><title>{title}</title>'
        f'<g stroke-linecap="round" stroke-linejoin="round"{flip}>{"".join(parts)}</g></svg>\n'
    )


def _pose(drill: Drill) -> tuple[float, float]:
    arm, shaft = _POSE[drill.constraint]
    at = drill.checkpoint.at.position
    # What is looked at after the ball is drawn on the target side.
    return (24.0, 92.0) if at is not None and at.number >= 8 else (arm, shaft)


def _body(drill: Drill) -> list[str]:
    hip = (114.0, 130.0)
    half = {Constraint.FEET_TOGETHER: 5.0, Constraint.STEP: 7.0}.get(drill.constraint, 26.0)
    parts = [
        _line(_HUB, hip, 7),
        _circle((_HUB[0] + 1, _HUB[1] - 22), 11, fill="none", weight=3),
    ]
    feet = [hip[0] - half, hip[0] + half]
    if drill.constraint is Constraint.STEP:
        feet[1] += drill.dimensions_cm.get("step", 25.0) + 6
    for foot in feet:
        knee = ((hip[0] + foot) / 2 + 2, 168.0)
        parts += [_line(hip, knee, 5), _line(knee, (foot, _GROUND), 5)]
    return parts


def _constraint(drill: Drill, hands: tuple[float, float]) -> list[str]:
    size = drill.dimensions_cm
    match drill.constraint:
        case Constraint.OBSTACLE:
            return _obstacle(size)
        case Constraint.STOP_EARLY | Constraint.SHORT_BACKSWING:
            # A bar across the way: the club goes no farther.
            end = _from(hands, _pose(drill)[1], _CLUB)
            return [
                _line((end[0] - 2, end[1] - 12), (end[0] - 2, end[1] + 12), 3, dash=True),
                _line((end[0] - 10, end[1] - 12), (end[0] + 6, end[1] - 12), 3),
            ]
        case Constraint.SET if drill.checkpoint.measure.startswith("pelvis"):
            return [_line((64.0, 130.0), (166.0, 130.0), 2, dash=True)]
        case Constraint.SET if drill.checkpoint.measure.startswith("trunk"):
            return [_line((_BALL_X, 60.0), (_BALL_X, _GROUND - 8), 2, dash=True)]
        case Constraint.SET:
            return [
                _line((_HUB[0] - 40, _HUB[1] + 12), (_HUB[0] + 40, _HUB[1] - 12), 2, dash=True),
                _line((_HUB[0] - 22, _HUB[1] - 17), (_HUB[0] + 24, _HUB[1] - 27), 2, dash=True),
            ]
        case Constraint.STEP:
            foot = 121.0 + size.get("step", 25.0) + 6
            return _arrow((124.0, _GROUND + 9), (foot, _GROUND + 9))
        case Constraint.GROUND_TARGET:
            x = _BALL_X + size.get("ahead", 8.0)
            return [_line((x, _GROUND - 5), (x, _GROUND + 4), 3), *_size_bar(_BALL_X, x)]
        case Constraint.CONTACT:
            return [_box(_HUB[0] + 3, _HUB[1] + 10, 14, 20)]
        case Constraint.SPLIT_HANDS:
            lower = _from(hands, _pose(drill)[1], size.get("apart", 8.0) + 4)
            return [_circle(hands, 5), _circle(lower, 5)]
        case Constraint.ONE_ARM:
            return [_line(_HUB, (_HUB[0] + 14, _HUB[1] + 34), 4, _SOFT)]
        case Constraint.SLOW_MOTION | Constraint.RHYTHM | Constraint.PAUSE:
            return _clock(drill.constraint)
        case Constraint.VARIED:
            return [_line((214 + 12 * i, _GROUND - 2), (214 + 12 * i, 120 - 18 * i), 2)
                    for i in range(3)]  # fmt: skip
        case Constraint.FEET_TOGETHER:
            return _size_bar(109.0, 119.0)


def _obstacle(size: dict[str, float]) -> list[str]:
    distance, height = size.get("distance", 30.0), size.get("height", 10.0)
    if height > 150:  # at the head
        return [_box(_HUB[0] + 14, _HUB[1] - 34, 12, 26), _line((144, 20), (144, 42), 1, _SOFT)]
    if height > 90 and distance > 0:  # upright on the target side of the hip
        x = 124.0 + distance
        return [_box(x, _GROUND - 92, 7, 92)]
    if height > 60:  # behind the seat
        return [_box(90.0, 116.0, 12, 30)]
    near = _BALL_X - distance
    return [_box(near - 10, _GROUND - height, 10, height), *_size_bar(near, _BALL_X)]


def _clock(kind: Constraint) -> list[str]:
    parts = [_circle((222, 48), 20, fill="none", weight=2)]
    turns = {Constraint.SLOW_MOTION: (0, 300), Constraint.PAUSE: (0, 90)}.get(kind, (0, 120, 240))
    return [*parts, *(_line((222, 48), _from((222, 48), 180 - turn, 15), 2) for turn in turns)]


def _size_bar(left: float, right: float) -> list[str]:
    y = _GROUND + 9
    return [
        _line((left, y), (right, y), 1.2),
        _line((left, y - 3), (left, y + 3), 1.2),
        _line((right, y - 3), (right, y + 3), 1.2),
    ]


def _arrow(start: tuple[float, float], end: tuple[float, float]) -> list[str]:
    return [
        _line(start, end, 1.5),
        _line((end[0] - 5, end[1] - 4), end, 1.5),
        _line((end[0] - 5, end[1] + 4), end, 1.5),
    ]


def _from(start: tuple[float, float], deg: float, length: float) -> tuple[float, float]:
    return start[0] + length * sin(radians(deg)), start[1] + length * cos(radians(deg))


def _line(
    a: tuple[float, float],
    b: tuple[float, float],
    weight: float,
    ink: str = _INK,
    *,
    dash: bool = False,
) -> str:
    dashed = ' stroke-dasharray="5 5"' if dash else ""
    return (
        f'<line x1="{a[0]:.1f}" y1="{a[1]:.1f}" x2="{b[0]:.1f}" y2="{b[1]:.1f}" '
        f'stroke="{ink}" stroke-width="{weight:g}"{dashed}/>'
    )


def _circle(
    at: tuple[float, float], radius: float, *, fill: str = _INK, weight: float = 1.2
) -> str:
    return (
        f'<circle cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="{radius:g}" fill="{fill}" '
        f'stroke="{_INK}" stroke-width="{weight:g}"/>'
    )


def _box(x: float, y: float, wide: float, tall: float) -> str:
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{tall:.1f}" rx="2" '
        f'fill="#e4e0d4" stroke="{_INK}" stroke-width="1.5" stroke-dasharray="3 2"/>'
    )
