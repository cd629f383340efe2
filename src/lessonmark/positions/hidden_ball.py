"""When the ball left, where the clubhead hid it: the view from behind.

From down-the-line the head comes at the ball from the camera's side. The camera looks down on the
ball, and the head comes down an arc: for a while both cancel, and the head stays in front of the
ball long before impact. After impact it goes away from the camera and up, where both add, and the
bare ground is soon in sight. So impact lies late in the time in which the ball could not be seen.

How late depends on what is not known: the head's size and speed, the arc, how steeply the camera
looks. All that is likely of these is tried; what agrees with how long the ball was hidden counts.
"""

from __future__ import annotations

import math

import numpy as np

from lessonmark.positions.signals import Floats
from lessonmark.positions.times import Time

__all__ = ["left_unseen", "look_down"]

# A phone's or camera's usual lens: focal length over the picture's long side (24 to 28 mm against
# a frame of 36 mm). Common practice, no source.
FOCAL_OF_LONG_SIDE = 0.72
# The camera may point up or down by so much (common practice, no source) and the head may come at
# the ball from above or below by so much (published means lie between -4 and +3 deg for irons and
# drivers; from memory): both tilt its way against the line of sight, rad.
SE_LOOK_DOWN = math.hypot(math.radians(4.0), math.radians(3.0))
# The head hides the ball while their middles, as the camera sees them, are nearer than half of
# the head's height or width and the ball's radius of 2.1 cm, m. Heads are 5 to 12 cm.
HIDES_M = (0.04, 0.09)
# Of swings from a pitch to a driver's, m/s. Common practice, no source.
HEAD_M_S = (18.0, 50.0)
# Near impact the head turns about the hands, which are slow: a club's length below them, m, on a
# plane of so much against the ground. Common practice, no source.
ARC_M = (0.7, 1.1)
PLANE_RAD = (math.radians(45.0), math.radians(65.0))
# The head's way from the inside or the outside, rad. Common practice, no source.
SE_PATH = math.radians(3.0)
TRIED = 4000
FARTHEST_M, STEP_M = 1.2, 0.004
# The ends of the time count as frames where they are nearer than this to one, frames.
AT_A_FRAME = 0.1


def look_down(ball_y: float, *, width: float, height: float) -> float:
    """Tell how steeply a level camera with a usual lens looks down on the ball, rad."""
    return math.atan2(ball_y - height / 2, FOCAL_OF_LONG_SIDE * max(width, height))


def left_unseen(left: Time, frames: Floats, *, look_down_rad: float) -> Time:
    """Say when a ball left that was seen last in one frame and gone in a later one.

    Parameters
    ----------
    left : the middle between those two frames, with a rectangle's standard deviation.
    frames : the frames' times about then, s.
    look_down_rad : how steeply the camera looks down on the ball (`look_down`).

    Returns
    -------
    Time : `left` itself where it was not found between two frames (from the ball's flight), or
        where nothing that is likely hides a ball for so long.
    """
    half = math.sqrt(3) * left.se
    if len(frames) < 2:
        return left
    step = float(np.median(np.diff(frames)))
    there, gone = left.s - half, left.s + half
    if any(float(np.abs(frames - end).min()) > AT_A_FRAME * step for end in (there, gone)):
        return left
    before, after = _hidden(look_down_rad)
    # It was hidden from a moment in the frame's time after `there` to one in that before `gone`.
    first = np.maximum(there + before, gone - step - after)
    last = np.minimum(there + step + before, gone - after)
    share = np.clip(last - first, 0.0, None)
    if share.sum() <= 0:
        return left
    share /= share.sum()
    middle = (first + last) / 2
    s = float(np.sum(share * middle))
    spread = float(np.sum(share * ((middle - s) ** 2 + (last - first) ** 2 / 12)))
    return Time(s=s, se=math.sqrt(spread))


def _hidden(look_down_rad: float) -> tuple[Floats, Floats]:
    """Try how long before and after impact the head hides the ball, s, (case,) each."""
    rng = np.random.default_rng(20)  # always the same cases
    tilt = np.tan(look_down_rad + SE_LOOK_DOWN * rng.standard_normal(TRIED))
    path = SE_PATH * rng.standard_normal(TRIED)
    reach = rng.uniform(*HIDES_M, TRIED)
    speed = rng.uniform(*HEAD_M_S, TRIED)
    bend = 1 / rng.uniform(*ARC_M, TRIED)
    plane = rng.uniform(*PLANE_RAD, TRIED)
    way = np.arange(0.0, FARTHEST_M, STEP_M)[None, :]
    sides = []
    for sign in (-1.0, 1.0):
        # Where the head shows against the ball at `way` from impact: inside the target line and
        # up. A camera that looks down sees what is nearer lower.
        inside = (bend * np.cos(plane))[:, None] * way**2 / 2 + sign * path[:, None] * way
        up = (bend * np.sin(plane))[:, None] * way**2 / 2 + sign * tilt[:, None] * way
        out = np.hypot(inside, up) > reach[:, None]
        sides.append(np.where(out.any(axis=1), out.argmax(axis=1), way.size) * STEP_M / speed)
    return sides[0], sides[1]
