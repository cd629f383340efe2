"""A stick on the ground along the target line, clicked at both ends: the camera's squareness.

One clip cannot tell a camera that is off square from a player who stands open: both turn feet and
shoulders alike. A stick laid along the target line can, and better than any joint.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.ground import GroundSeen, off_square
from lessonmark.measures.seen import SwingSeen

__all__ = ["CLICK_SE_PX", "LAY_SE_DEG", "LEAST_PX", "STICK_CM", "Stick", "stick_yaw"]

# One end of a stick: (x, y) px of the frame, (0, 0) the outer corner of its top left pixel.
Stick = tuple[tuple[float, float], tuple[float, float]]

STICK_CM = (20.0, 400.0)  # the lengths that are taken: a ruler to three sticks in a row
CLICK_SE_PX = 1.5  # of each coordinate of an end
LAY_SE_DEG = 1.0  # how truly a stick is laid along the line to a target; common practice, no source
LEAST_PX = 30.0  # a shorter line on the picture is no stick, or one that is seen end on
WORST_SE_DEG = 8.0  # a stick that says less than this says no more than the player does


def stick_yaw(
    swing: SwingSeen, stick: Stick, *, seen: GroundSeen, hips_px: npt.NDArray[np.float64]
) -> tuple[float, float]:
    """Find how far the camera is off square to a stick on the ground.

    Parameters
    ----------
    swing : the swing that it lies in the picture of; its own camera is not looked at.
    stick : its two ends as clicked, in either order, px.
    seen : the camera over the ground.
    hips_px : (2,) the golfer's hips at address, px from the picture's middle.

    Returns
    -------
    Off square, signed as `ground.off_square`, and its standard error, deg.

    Raises
    ------
    CannotMeasure : the ends are too close together, not on the ground, or the line runs across
        where it should run along.

    References
    ----------
    Error propagation by one-at-a-time changes: JCGM 100:2008 (GUM), 5.1.3 note 2.
    """
    a, b = (np.asarray(end, dtype=float) - swing.centre for end in stick)
    if float(np.hypot(*(a - b))) < LEAST_PX:
        raise CannotMeasure(
            say("the two ends of the stick are too close together on the picture"),
            do=say("click the two ends of an alignment stick that lies along the target line"),
        )

    def look(camera: GroundSeen, first: np.ndarray, second: np.ndarray) -> float:
        one, other = camera.place(first), camera.place(second)
        if one is None or other is None:
            raise CannotMeasure(
                say("the stick does not lie on the ground that the camera sees"),
                do=say("click the ends of a stick that lies on the ground, below the horizon"),
            )
        yaw = off_square(other - one, camera.ray(hips_px), view=swing.view, toward=swing.toward)
        return (yaw + 90.0) % 180.0 - 90.0  # a stick has no front end

    yaw = look(seen, a, b)
    if abs(yaw) > 45.0:
        raise CannotMeasure(
            say("the stick lies across the target line, not along it"),
            do=say("lay it along the line from the ball to the target"),
        )
    parts = [look(camera, a, b) - yaw for camera in seen.disturbed()]
    for step in CLICK_SE_PX * np.eye(2):
        parts += [look(seen, a + step, b) - yaw, look(seen, a, b + step) - yaw]
    se = math.sqrt(sum(part**2 for part in parts) + LAY_SE_DEG**2)
    if se > WORST_SE_DEG:
        raise CannotMeasure(
            say("the stick is seen too nearly end on to tell ({se:.0f}°)", se=se),
            do=say("hold the camera higher, or use a longer stick"),
        )
    return yaw, se
