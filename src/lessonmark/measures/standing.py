"""Where the camera stood: off square, distance and height, at address."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from lessonmark.errors import CannotMeasure
from lessonmark.measures.feet import FOOT_HEIGHT_CM, FOOT_SE, feet_at_address
from lessonmark.measures.ground import GroundSeen, ground_seen, off_square
from lessonmark.measures.horizon import is_doubted
from lessonmark.measures.level import GroundLine
from lessonmark.measures.scale import BALL_CM
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import SwingSeen
from lessonmark.measures.stick import Stick, stick_yaw
from lessonmark.words import View

__all__ = ["UNSEEN_YAW_SE_DEG", "Standing", "find_standing"]

Vector = npt.NDArray[np.float64]

# How far a player's feet stand off the line that the club goes along; common practice, no source.
AIM_SE_DEG = 4.0
# Where a ball is played: toward the target from the middle between the feet, cm, from a wedge in
# the middle to a driver inside the lead heel, and how far players differ; common practice, no
# source. The feet's and the player's own aim are in the spread.
BALL_ALONG_CM, BALL_ALONG_PER_CM, SHORTEST_CLUB_CM = 3.0, 0.45, 90.0
BALL_ALONG_SE_CM = 5.0
ORDINARY_CLUB_CM, ORDINARY_CLUB_SE_CM = 97.0, 8.0  # where nobody said which
BALL_OUT_CM = (35.0, 140.0)  # from the feet's middle: farther or nearer is no ball at address
# Beyond this the feet say nothing; nor, where they are no surer than a camera by eye is, of a turn
# that nobody films.
WIDEST_SE_DEG = 15.0
MOST_YAW_DEG, MOST_YAW_SURE_DEG = 30.0, 45.0
UNSEEN_YAW_SE_DEG = 10.0  # of a camera that was set up by eye; common practice, no source
LEAST_BELOW = 0.1  # of the torso: feet hardly below the horizon have no depth


@dataclass(frozen=True, kw_only=True)
class Standing:
    """Where the camera stood; a None could not be told."""

    yaw_deg: float | None  # signed as `ground.off_square`
    yaw_se_deg: float
    distance_cm: float | None  # to the golfer's hips
    height_cm: float | None  # above the ground
    pitch_deg: float | None = None  # + the camera looks up
    pitch_se_deg: float = 5.0
    yaw_from: str = "feet"  # 'feet', 'feet and ball', or 'stick'
    pan_deg: float = 0.0  # the golfer stands so far to the image's right of the camera's axis
    stick_fault: CannotMeasure | None = None  # why a stick that was clicked says nothing
    line_doubted: bool = False  # the level edge may be a wall's foot: not taken for the horizon


def find_standing(
    swing: SwingSeen,
    s: float,
    *,
    roll_deg: float,
    ground: GroundLine | None,
    scale: Scale,
    roll_se_deg: float = 0.5,
    stick: Stick | None = None,
    club_cm: float | None = None,
) -> Standing:
    """Find the camera's place against the golfer, and against a stick where one was clicked.

    Points of the level ground lie as far away as their depth below the horizon says: the row of a
    foot gives its distance, its column its side. Without a stick the line between the feet is
    taken for the line of play, within `AIM_SE_DEG`; and face-on the ball, which lies nearer to the
    camera than the feet, is taken to lie where balls are played: seen from the side it seems
    elsewhere. Both are weighed by inverse variance. Neither tells a camera that is off square from
    a player who aims elsewhere.

    Parameters
    ----------
    swing : the swing; its own camera is not looked at.
    s : a moment at address.
    roll_deg, roll_se_deg : of the camera, + a plumb line's top leans to the image's right.
    ground : the level edge behind the golfer, taken for the horizon unless the golfer and the ball
        say otherwise (`horizon.py`); None: the picture's middle is taken for its row.
    scale : px/cm at the golfer's hips.
    stick : two ends on the picture of a stick along the target line; None: none was clicked.
    club_cm : the club's length; None: not known.
    """
    seen = ground_seen(swing, ground=ground, roll_deg=roll_deg, roll_se_deg=roll_se_deg)
    distance = seen.focal_px / scale.px_per_cm
    nothing = Standing(
        yaw_deg=None,
        yaw_se_deg=UNSEEN_YAW_SE_DEG,
        distance_cm=distance,
        height_cm=None,
        pitch_deg=seen.pitch_deg if seen.pitch_seen else None,
        pitch_se_deg=seen.pitch_se_deg if seen.pitch_seen else 5.0,
    )
    found = feet_at_address(swing, s)
    if found is None:
        return nothing
    lead, trail, hips, torso_px = found
    middle = (lead + trail) / 2
    x, y = seen.upright(middle)
    below = float(y) - seen.focal_px * math.tan(math.radians(seen.pitch_deg))
    pan = math.degrees(math.atan2(float(x), seen.focal_px))
    if below < LEAST_BELOW * torso_px:
        return replace(nothing, pan_deg=pan)
    height = below / scale.px_per_cm + FOOT_HEIGHT_CM
    if ground is not None and is_doubted(
        height, swing, s, scale=scale, roll_deg=roll_deg, club_cm=club_cm
    ):
        unseen = find_standing(
            swing,
            s,
            roll_deg=roll_deg,
            ground=None,
            scale=scale,
            roll_se_deg=roll_se_deg,
            stick=stick,
            club_cm=club_cm,
        )
        return replace(unseen, line_doubted=True)
    # Without a level edge the camera is taken to look level, which tells no height.
    standing = replace(nothing, pan_deg=pan, height_cm=height if seen.pitch_seen else None)
    if stick is not None:
        try:
            yaw, se = stick_yaw(swing, stick, seen=seen, hips_px=hips)
        except CannotMeasure as why:
            standing = replace(standing, stick_fault=why)
        else:
            return replace(standing, yaw_deg=yaw, yaw_se_deg=se, yaw_from="stick")
    step_px = FOOT_SE[swing.view] * torso_px
    found_by = {"feet": _by_feet(swing, seen, (lead, trail, hips), step_px)}
    if swing.view is View.FACE_ON and swing.ball is not None:
        found_by["ball"] = _by_ball(swing, seen, (middle, hips), step_px, height, club_cm)
    told = {
        by: (yaw, se)
        for by, (yaw, se) in found_by.items()
        if se <= WIDEST_SE_DEG
        and abs(yaw) <= (MOST_YAW_SURE_DEG if se <= UNSEEN_YAW_SE_DEG else MOST_YAW_DEG)
    }
    if not told:
        return standing
    weights = np.array([se**-2 for _, se in told.values()])
    yaw = float(weights @ np.array([yaw for yaw, _ in told.values()]) / weights.sum())
    return replace(
        standing,
        yaw_deg=yaw,
        yaw_se_deg=float(weights.sum() ** -0.5),
        yaw_from=" and ".join(told),
    )


def _by_feet(
    swing: SwingSeen, seen: GroundSeen, at: tuple[Vector, Vector, Vector], step_px: float
) -> tuple[float, float]:
    """Off square to the line between the feet, and its standard error, deg.

    `at`: lead foot, trail foot and hips, px from the picture's middle.
    """
    lead, trail, hips = at

    def look(camera: GroundSeen, lead_px: Vector, trail_px: Vector) -> float:
        ends = camera.place(lead_px), camera.place(trail_px)
        if ends[0] is None or ends[1] is None:
            return math.inf
        return off_square(ends[0] - ends[1], camera.ray(hips), view=swing.view, toward=swing.toward)

    yaw = look(seen, lead, trail)
    if not math.isfinite(yaw):
        return math.inf, math.inf
    parts = [look(camera, lead, trail) - yaw for camera in seen.disturbed()]
    for step in step_px * np.eye(2):
        parts += [look(seen, lead + step, trail) - yaw, look(seen, lead, trail + step) - yaw]
    return yaw, math.sqrt(sum(part**2 for part in (*parts, AIM_SE_DEG)))


def _by_ball(
    swing: SwingSeen,
    seen: GroundSeen,
    at: tuple[Vector, Vector],
    step_px: float,
    height_cm: float,
    club_cm: float | None,
) -> tuple[float, float]:
    """Off square to the line from the feet to the ball, and its standard error, deg.

    `at`: the feet's middle and the hips, px from the picture's middle.
    """
    ball, (feet, hips) = swing.ball, at
    if ball is None or height_cm <= 2 * FOOT_HEIGHT_CM:
        return math.inf, math.inf
    lies = np.array([ball.x, ball.y]) - swing.centre
    usual = BALL_ALONG_CM + BALL_ALONG_PER_CM * (
        max(club_cm or ORDINARY_CLUB_CM, SHORTEST_CLUB_CM) - SHORTEST_CLUB_CM
    )

    def look(camera: GroundSeen, feet_px: Vector, ball_px: Vector) -> tuple[float, float]:
        ends = camera.place(feet_px), camera.place(ball_px)
        if ends[0] is None or ends[1] is None:
            return math.inf, math.nan
        # Ankles, heels and the ball's middle are above the ground: nearer than the row says.
        middle = ends[0] * (height_cm - FOOT_HEIGHT_CM)
        away = ends[1] * (height_cm - BALL_CM / 2)
        line, ray = away - middle, camera.ray(hips) / np.hypot(*camera.ray(hips))
        along = swing.toward * float(line[0] * ray[1] - line[1] * ray[0])
        out = -float(line @ ray)
        return math.degrees(math.atan2(along, out) - math.atan2(usual, out)), out

    yaw, out = look(seen, feet, lies)
    if not BALL_OUT_CM[0] < out < BALL_OUT_CM[1]:
        return math.inf, math.inf
    parts = [look(camera, feet, lies)[0] - yaw for camera in seen.disturbed()]
    for step in step_px * np.eye(2):
        parts.append(look(seen, feet + step / math.sqrt(2), lies)[0] - yaw)
    for step in ball.se_px * np.eye(2):
        parts.append(look(seen, feet, lies + step)[0] - yaw)
    club_se = 0.0 if club_cm else BALL_ALONG_PER_CM * ORDINARY_CLUB_SE_CM
    parts.append(math.degrees(math.hypot(BALL_ALONG_SE_CM, club_se) / out))
    return yaw, math.sqrt(sum(part**2 for part in parts))
