"""The level ground as the camera saw it: from a point's pixel to where it lies, up to one scale."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from lessonmark.measures.level import GroundLine
from lessonmark.measures.seen import FOCAL_SHARE, SwingSeen
from lessonmark.words import View

__all__ = ["FOCAL_SHARE_SE", "GroundSeen", "ground_seen", "off_square"]

Vector = npt.NDArray[np.float64]

FOCAL_SHARE_SE = 0.08  # of the picture's long side, as `FOCAL_SHARE`
GROUND_ROW_SE = 0.02  # of the picture's height: how far the level edge lies off the true horizon
PITCH_SE_DEG = 4.0  # where no level edge is seen: a camera that is held by eye


@dataclass(frozen=True, kw_only=True)
class GroundSeen:
    """A camera over level ground, and how well it is known."""

    focal_px: float
    focal_se_px: float
    pitch_deg: float  # + the camera looks up; 0 where nothing shows it
    pitch_se_deg: float
    pitch_seen: bool
    roll_deg: float
    roll_se_deg: float

    def upright(self, px: Vector) -> Vector:
        """Take the roll out of a place (2,), px from the picture's middle."""
        turn = math.radians(self.roll_deg)
        x, y = px
        return np.array(
            [x * math.cos(turn) + y * math.sin(turn), y * math.cos(turn) - x * math.sin(turn)]
        )

    def ray(self, px: Vector) -> Vector:
        """The way to a point (2,) px from the picture's middle, from above: right and ahead."""
        x, y = self.upright(px)
        pitch = math.radians(self.pitch_deg)
        return np.array([x, y * math.sin(pitch) + self.focal_px * math.cos(pitch)])

    def place(self, px: Vector) -> Vector | None:
        """Where a point (2,) px from the picture's middle lies on the ground.

        Returns
        -------
        To the right of the camera's axis, and ahead, in camera heights; None at or above the
        horizon.
        """
        x, y = self.upright(px)
        pitch = math.radians(self.pitch_deg)
        down = y * math.cos(pitch) - self.focal_px * math.sin(pitch)
        ahead = y * math.sin(pitch) + self.focal_px * math.cos(pitch)
        return None if down <= 0 else np.array([x / down, ahead / down])

    def disturbed(self) -> tuple[GroundSeen, ...]:
        """Give the same camera with each of its figures moved by one standard error."""
        return (
            replace(self, focal_px=self.focal_px + self.focal_se_px),
            replace(self, pitch_deg=self.pitch_deg + self.pitch_se_deg),
            replace(self, roll_deg=self.roll_deg + self.roll_se_deg),
        )


def ground_seen(
    swing: SwingSeen, *, ground: GroundLine | None, roll_deg: float, roll_se_deg: float
) -> GroundSeen:
    """Gather what is known of the camera over the ground.

    Parameters
    ----------
    swing : the swing; its own camera is not looked at.
    ground : the level edge behind the golfer, taken for the horizon; None: none was seen.
    roll_deg, roll_se_deg : of the camera, + a plumb line's top leans to the image's right.
    """
    focal = swing.focal_px
    share = FOCAL_SHARE_SE / FOCAL_SHARE
    pitch, pitch_se = 0.0, PITCH_SE_DEG
    if ground is not None:
        row = (ground.row_px - swing.height / 2) * math.cos(math.radians(ground.slope_deg))
        pitch = math.degrees(math.atan2(row, focal))
        pitch_se = math.hypot(math.degrees(GROUND_ROW_SE * swing.height / focal), pitch * share)
    return GroundSeen(
        focal_px=focal,
        focal_se_px=share * focal,
        pitch_deg=pitch,
        pitch_se_deg=pitch_se,
        pitch_seen=ground is not None,
        roll_deg=roll_deg,
        roll_se_deg=roll_se_deg,
    )


def off_square(line: Vector, ray: Vector, *, view: View, toward: int) -> float:
    """Say how far the camera is off square to a line on the ground, deg.

    Parameters
    ----------
    line : (2,) right and ahead, from the trail end to the lead end.
    ray : (2,) right and ahead, the way from the camera to the golfer's hips.
    toward : +1: the target (face-on) or the ball (down-the-line) is to the image's right.

    Returns
    -------
    + where the trail end is turned toward the camera (face-on), or stands out toward the ball
    from down-the-line: the camera stands away from the target, or behind the golfer's back.
    """
    ray = ray / np.hypot(*ray)
    away = float(line @ ray)
    across = toward * float(line[0] * ray[1] - line[1] * ray[0])
    if view is View.FACE_ON:
        return math.degrees(math.atan2(away, across))
    return -math.degrees(math.atan2(across, away))
