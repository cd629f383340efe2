"""Say how square the camera stood: what shows it, how far it may be, what it costs, what to do."""

from __future__ import annotations

import math

from lessonmark.language import say
from lessonmark.measures.standing import Standing
from lessonmark.words import View

__all__ = ["off_square_worth_saying", "square_line", "turned_away"]

# Lean is wrong by 3 deg at five and by 5 at eight (docs/filming.md). By feet and ball a quarter
# of the cameras that are off by less than five would be called off at five (bench/README.md).
WORTH_SAYING_DEG, WORTH_SAYING_BY_PLAYER_DEG = 5.0, 8.0
LEAST_SURE = 1.96  # standard errors from square before a camera is called off
Z95 = 1.96
TURNED_AWAY_DEG = 8.0  # the player at the picture's edge on purpose: the lens bends what is there


def off_square_worth_saying(standing: Standing) -> bool:
    """Whether the camera is more likely off square than not, and by enough to matter."""
    if standing.yaw_deg is None:
        return False
    by_stick = standing.yaw_from == "stick"
    worth = WORTH_SAYING_DEG if by_stick else WORTH_SAYING_BY_PLAYER_DEG
    least = max(worth, LEAST_SURE * standing.yaw_se_deg)
    return abs(standing.yaw_deg) >= least


def turned_away(standing: Standing) -> bool:
    """Whether the camera points past the player, wherever it stands."""
    return abs(standing.pan_deg) >= TURNED_AWAY_DEG


def square_line(view: View, standing: Standing) -> str:
    """Say it in one line."""
    said = _said(view, standing)
    if standing.stick_fault is not None:
        said += " " + say("The stick was not used: {why}.", why=standing.stick_fault.what)
    if turned_away(standing):
        said += " " + say(
            "The camera points {deg:.0f}° past the player: that is taken out. Turn it to the "
            "player next time.",
            deg=abs(standing.pan_deg),
        )
    return said


def _said(view: View, standing: Standing) -> str:
    yaw, se = standing.yaw_deg, standing.yaw_se_deg
    if yaw is None:
        return say(
            "Square: the player does not show it; {se:.0f}° are kept as a doubt. Lay a stick on "
            "the target line and click its ends.",
            se=se,
        )
    low, high = max(abs(yaw) - Z95 * se, 0.0), abs(yaw) + Z95 * se
    if standing.yaw_from == "stick":
        if not off_square_worth_saying(standing):
            return say("Square: yes, by the stick: {deg:.0f}° ± {se:.0f}°.", deg=abs(yaw), se=se)
        return say(
            "Square: no, by the stick the camera is {deg:.0f}° off ({low:.0f} to {high:.0f}°), "
            "{side}. It is brought back by an ordinary player's depth, which leaves wider errors. "
            "{do}",
            deg=abs(yaw),
            low=low,
            high=high,
            side=_side(view, yaw),
            do=_stand_square(view),
        )
    shown = say("feet and ball") if "ball" in standing.yaw_from else say("the feet")
    if off_square_worth_saying(standing):
        return say(
            "Square: probably not: by {shown} the camera is about {deg:.0f}° off ({low:.0f} to "
            "{high:.0f}°), {side}, unless the player aims that far elsewhere. Lean and tilt lose "
            "up to {cost:.0f}°, shifts {short:.0f} % of their length. {do}",
            shown=shown,
            deg=abs(yaw),
            low=low,
            high=high,
            side=_side(view, yaw),
            cost=_lean_cost_deg(high),
            short=100 * (1 - math.cos(math.radians(high))),
            do=_stand_square(view),
        )
    return say(
        "Square: {shown} do not speak against it ({deg:.0f}° ± {se:.0f}°), but up to {high:.0f}° "
        "off could not be told from a player who aims elsewhere; lean may be wrong by {cost:.0f}° "
        "then, and the errors hold that. A stick on the target line, its ends clicked, tells.",
        shown=shown,
        deg=abs(yaw),
        se=se,
        high=high,
        cost=_lean_cost_deg(high),
    )


def _side(view: View, yaw_deg: float) -> str:
    if view is View.FACE_ON:
        return say("away from the target") if yaw_deg > 0 else say("toward the target")
    return say("behind the player's back") if yaw_deg > 0 else say("toward the ball")


def _lean_cost_deg(yaw_deg: float) -> float:
    # An ordinary trunk is bent 35 deg forward: its top is nearer to a face-on camera by tan 35 of
    # its height, and a camera off square sees some of that as lean.
    forward = math.tan(math.radians(35.0))
    return math.degrees(math.atan(forward * math.sin(math.radians(abs(yaw_deg)))))


def _stand_square(view: View) -> str:
    if view is View.FACE_ON:
        return say("Stand in front of the player's chest, at a right angle to the target line.")
    return say("Stand behind the hands, on a line with them and the target.")
