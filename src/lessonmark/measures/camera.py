"""Check how a clip was filmed, before anything is judged by it.

Five lines: is the camera level, is it square to the line of play, where does it stand, are frames
and light enough, is the whole golfer in and the camera still. Each says what it costs and what to
do better; what can be taken out (roll) is taken out, what cannot is carried as an error.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.level import WALL_SE_DEG, Roll, find_ground_line, find_roll
from lessonmark.measures.registration import Movement, register
from lessonmark.measures.scale import scale_from_stature
from lessonmark.measures.seen import SwingSeen
from lessonmark.measures.shutter import Shutter, find_shutter
from lessonmark.measures.square_words import off_square_worth_saying, square_line, turned_away
from lessonmark.measures.standing import Standing, find_standing
from lessonmark.measures.stick import Stick
from lessonmark.words import Position

__all__ = ["check_camera"]

Grey = npt.NDArray[np.uint8]
GreyAt = Callable[[float], Grey]

ORDINARY_STATURE_CM = 172.0
ROLL_WORTH_SAYING_DEG = 1.5
STILL_PX = 0.5  # less is the registration's own noise
MOVED_SHARE = 0.002  # of the picture's height: 2.6 px of 1280
DARK = 60.0  # mean grey level of the golfer, of 255
LEAST_FPS = 100.0
# Lens between belt and chest; nearer than three metres the perspective grows fast.
HEIGHTS_CM = (60.0, 150.0)
NEAREST_CM = 300.0
# A smear beyond which a shorter shutter is worth the trouble; common practice, no source.
SMEAR_WORTH_SAYING_CM = 8.0
HEAD_SPEED_CM_S = 4000.0  # a club player's driver, common practice, no source


def check_camera(
    swing: SwingSeen,
    grey_at: GreyAt,
    *,
    stick: Stick | None = None,
    club_cm: float | None = None,
) -> CameraCheck:
    """Check the camera of one swing's clip.

    Parameters
    ----------
    swing : the swing as seen; its `camera` is not looked at.
    grey_at : gives the clip's frame nearest to a time, (height, width), 0 to 255.
    stick : two ends, px, of a stick that lies along the target line; None: none was clicked.
    club_cm : the club's length, which says where its ball is played; None: not known.

    Returns
    -------
    What was found, with five lines in words.
    """
    moments = _moments(swing)
    address = grey_at(moments[0])
    golfer = golfer_mask(swing, moments[0])
    ground = find_ground_line(address, golfer)
    roll = find_roll(address, golfer, ground)
    scale = swing.scale
    if scale is None:
        try:
            stature = swing.stature_cm or ORDINARY_STATURE_CM
            scale = scale_from_stature(replace(swing, camera=None), stature)
        except CannotMeasure:
            scale = None
    standing = Standing(yaw_deg=None, yaw_se_deg=10.0, distance_cm=None, height_cm=None)
    if scale is not None:

        def stand(roll: Roll) -> Standing:
            return find_standing(
                swing,
                moments[0],
                roll_deg=roll.deg,
                roll_se_deg=roll.se_deg,
                ground=ground,
                scale=scale,
                stick=stick,
                club_cm=club_cm,
            )

        standing = stand(roll)
        if standing.line_doubted:
            roll = find_roll(address, golfer, ground, ground_se_deg=WALL_SE_DEG)
            standing = stand(roll)
    moved, movement = _movement(swing, grey_at)
    cut = _cut_off(swing)
    light = float(np.mean(address[golfer])) if golfer.any() else 255.0
    shutter = find_shutter(swing, grey_at)
    blur_cm = shutter.head_px / scale.px_per_cm if shutter and scale else None
    return CameraCheck(
        roll_deg=roll.deg,
        roll_se_deg=roll.se_deg,
        roll_from=roll.source,
        yaw_deg=standing.yaw_deg,
        yaw_se_deg=standing.yaw_se_deg,
        distance_cm=standing.distance_cm,
        height_cm=standing.height_cm,
        moved_px=moved,
        movement=movement,
        pitch_deg=standing.pitch_deg,
        pitch_se_deg=standing.pitch_se_deg,
        yaw_from=standing.yaw_from,
        blur_cm=blur_cm,
        lines=(
            _level_line(roll),
            square_line(swing.view, standing),
            _place_line(standing),
            _frames_line(swing, light, shutter, blur_cm),
            _picture_line(swing, moved, cut),
        ),
        ok=roll.source != "assumed"
        and not off_square_worth_saying(standing)
        and not turned_away(standing)
        and light >= DARK
        and swing.fps >= LEAST_FPS
        and not cut
        and (moved is None or moved < MOVED_SHARE * swing.height),
    )


def golfer_mask(swing: SwingSeen, s: float) -> npt.NDArray[np.bool_]:
    """Mark the box in which golfer and club are at a time, (height, width)."""
    mask = np.zeros((swing.height, swing.width), dtype=bool)
    points = []
    for name in swing.paths.index:
        try:
            points.append(swing.paths.at(name, s)[0])
        except CannotMeasure:
            continue
    if not points:
        return mask
    low, high = np.min(points, axis=0), np.max(points, axis=0)
    tall = high[1] - low[1]
    left, right = int(low[0] - 0.12 * tall), int(high[0] + 0.12 * tall)
    top, foot = int(low[1] - 0.12 * tall), int(high[1] + 0.08 * tall)
    mask[max(top, 0) : max(foot, 0), max(left, 0) : max(right, 0)] = True
    return mask


def _moments(swing: SwingSeen) -> list[float]:
    found = swing.positions.found
    wanted = (Position.P1, Position.P4, Position.P7, Position.P10)
    times = [found[p].time.s for p in wanted if p in found]
    return times or [float(swing.paths.times[0])]


def _movement(
    swing: SwingSeen, grey_at: GreyAt
) -> tuple[float | None, tuple[tuple[float, float, float], ...]]:
    """Follow the background over the swing.

    Returns
    -------
    The largest movement, px (None where nothing still is seen), and the way it went at each
    position, empty for a camera that stood still.
    """
    moments = _moments(swing)
    first, golfer = grey_at(moments[0]), golfer_mask(swing, moments[0])

    def look(s: float) -> Movement | None:
        return register(first, grey_at(s), golfer, golfer_mask(swing, s))

    seen = {s: look(s) for s in moments[1:]}
    moved = [_beyond_error(one) for one in seen.values() if one is not None]
    if not moved:
        return None, ()
    if max(moved) < STILL_PX:
        return max(moved), ()
    # It moved: follow it at every position, so that it can be taken out.
    for position in swing.positions.found.values():
        if position.time.s not in seen and position.time.s > moments[0]:
            seen[position.time.s] = look(position.time.s)
    way = [(moments[0], 0.0, 0.0)]
    way += [(s, one.right_px, one.down_px) for s, one in seen.items() if one is not None]
    largest = max(_beyond_error(one) for one in seen.values() if one is not None)
    return largest, tuple(sorted(way))


def _beyond_error(movement: Movement) -> float:
    return max(movement.shift_px - 2 * movement.se_px, 0.0)


def _cut_off(swing: SwingSeen) -> list[str]:
    found = swing.positions.found
    outside = set()
    for position in found.values():
        for name in swing.paths.index:
            try:
                x, y = swing.paths.at(name, position.time.s)[0]
            except CannotMeasure:
                continue
            if not (0 <= x < swing.width and 0 <= y < swing.height):
                outside.add(
                    say("the club") if name in ("clubhead", "grip_butt") else say("the player")
                )
    return sorted(outside)


def _level_line(roll: Roll) -> str:
    if roll.source == "assumed":
        return say(
            "Level: nothing level or upright is in the picture to check against; {se:.0f}° are "
            "kept as a doubt in every tilt. Have a post, a wall or the horizon in the picture.",
            se=roll.se_deg,
        )
    if abs(roll.deg) >= ROLL_WORTH_SAYING_DEG:
        return say(
            "Level: the camera leans by {deg:.1f}°; it is taken out, ± {se:.1f}° are left in every "
            "tilt. Level the phone with the grid on its screen.",
            deg=abs(roll.deg),
            se=roll.se_deg,
        )
    return say("Level: yes, within {se:.1f}°.", se=max(abs(roll.deg), roll.se_deg))


def _place_line(standing: Standing) -> str:
    if standing.distance_cm is None:
        return say("Place: the player's size could not be read off the picture.")
    distance = standing.distance_cm / 100
    if standing.line_doubted:
        return say(
            "Place: about {distance:.1f} m away. The level line behind the player may be a wall's "
            "foot and not the horizon, so the camera's height and tilt are not told. Hold the lens "
            "level, at the height of the hands, 80 to 110 cm.",
            distance=distance,
        )
    if standing.height_cm is None:
        return say("Place: about {distance:.1f} m away.", distance=distance)
    close = standing.distance_cm < NEAREST_CM
    off = not HEIGHTS_CM[0] <= standing.height_cm <= HEIGHTS_CM[1]
    said = say(
        "Place: about {distance:.1f} m away, {height:.1f} m high.",
        distance=distance,
        height=standing.height_cm / 100,
    )
    if close:
        said += " " + say("Step back to four or five metres: near points look too large.")
    if off:
        said += " " + say("Put the lens at the height of the hands, 80 to 110 cm.")
    return said


def _frames_line(
    swing: SwingSeen, light: float, shutter: Shutter | None, blur_cm: float | None
) -> str:
    travel = HEAD_SPEED_CM_S / swing.fps
    said = say(
        "Frames: {fps:.0f} a second; a driver's head goes {travel:.0f} cm from one to the next.",
        fps=swing.fps,
        travel=travel,
    )
    if shutter is not None and blur_cm is not None:
        said += " " + _shutter_words(shutter, blur_cm)
    if swing.fps < LEAST_FPS:
        said += " " + say("Film in slow motion, 120 or 240 frames a second.")
    if light < DARK:
        said += " " + say("The player is dark: film in brighter light, or the club will smear.")
    return said


def _shutter_words(shutter: Shutter, blur_cm: float) -> str:
    part = round(1.0 / shutter.open_s, -1 if shutter.open_s > 0.002 else -2)
    if shutter.at_most:
        return say(
            "The shutter is open no longer than 1/{part:.0f} s: the clubhead smears over less than "
            "{blur:.0f} cm.",
            part=part,
            blur=math.ceil(blur_cm),
        )
    said = say(
        "The shutter is open about 1/{part:.0f} s: at impact the clubhead smears over {blur:.0f} "
        "cm, and along its path it is known to ± {cost:.0f} cm in one frame.",
        part=part,
        blur=blur_cm,
        cost=0.475 * blur_cm,  # 95 % of an even spread over the smear
    )
    if blur_cm > SMEAR_WORTH_SAYING_CM:
        said += " " + say("Film in brighter light, or set the shutter to 1/1000 s or shorter.")
    return said


def _picture_line(swing: SwingSeen, moved: float | None, cut: list[str]) -> str:
    parts = []
    if cut:
        parts.append(
            say(
                "{what} leaves the picture: step back or turn the phone upright.",
                what=say(" and ").join(cut),
            )
        )
    if moved is None:
        parts.append(
            say("nothing still is seen behind the player to tell whether the camera stood still.")
        )
    elif moved >= MOVED_SHARE * swing.height:
        parts.append(
            say(
                "the camera moved by {px:.0f} px during the swing{cost}; it is taken out at the "
                "positions, roughly. Put it on a stand.",
                px=moved,
                cost=say(", {cm:.1f} cm at the player", cm=moved / swing.scale.px_per_cm)
                if swing.scale
                else "",
            )
        )
    if not parts:
        return say("Picture: the whole player is in it and the camera stood still.")
    return say("Picture: {parts}", parts=" ".join(parts))
