"""Whether the level edge behind the golfer is the horizon, or a wall's foot.

Both are long and level. But the horizon cuts everything upright at the height of the camera, so a
wall's foot that is taken for it puts the camera far too low. Two things speak against it: the ball,
which face-on lies nearer than the feet by what players stand off, and so lower on the picture by
what the camera's height makes of that; and, where no ball tells, that nobody puts a camera below
the knee who can help it.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from lessonmark.measures.depth import nearer
from lessonmark.measures.feet import FEET, FOOT_HEIGHT_CM, FOOT_SE, feet_at_address
from lessonmark.measures.scale import BALL_CM, STATURE_CM
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import SwingSeen
from lessonmark.words import Position, View

__all__ = ["camera_height", "is_doubted"]

Vector = npt.NDArray[np.float64]

# Below this the ground behind fills the picture, and a camera on a stand is not meant to be there.
BELOW_THE_KNEE_CM = 55.0
DISAGREE = 1.96  # standard errors between the line's height and the ball's
# How far a horizon may lie off the true one, hills and hedges: share of the picture's height.
LINE_SE = 0.03
# The ball from the feet: out by what `depth.nearer` says with an iron, farther with a longer club,
# share of stature and cm a cm of club; how far players differ. Common practice, no source.
OUT_PER_CM, IRON_CM, OUT_SE_CM, ANY_CLUB_SE_CM = 1.1, 95.0, 8.0, 12.0
FOOT_HEIGHT_SE_CM = 1.5
LEAST_PX = 3.0  # a ball hardly below the feet says nothing of the height
MOST_PITCH_DEG = 35.0


def is_doubted(
    height_cm: float,
    swing: SwingSeen,
    s: float,
    *,
    scale: Scale,
    roll_deg: float,
    club_cm: float | None = None,
) -> bool:
    """Say whether the level edge is not to be taken for the horizon.

    Parameters
    ----------
    height_cm : the camera's height if it were.
    swing, s : the swing, and a moment at address.
    scale : px/cm at the golfer's hips.
    roll_deg : of the camera.
    club_cm : the club's length; None: not known.
    """
    by_ball = camera_height(swing, s, scale=scale, roll_deg=roll_deg, club_cm=club_cm)
    if by_ball is None:
        return height_cm < BELOW_THE_KNEE_CM
    told, se = by_ball
    line_se = LINE_SE * swing.height / scale.px_per_cm
    return abs(height_cm - told) > DISAGREE * math.hypot(se, line_se)


def camera_height(
    swing: SwingSeen, s: float, *, scale: Scale, roll_deg: float, club_cm: float | None = None
) -> tuple[float, float] | None:
    """Find the camera's height from how much lower than the feet the ball lies; no horizon needed.

    Returns
    -------
    cm above the ground, and its standard error; None where it cannot be told: not face-on, no ball,
    or the feet are hidden.

    References
    ----------
    Error propagation by one-at-a-time changes: JCGM 100:2008 (GUM), 5.1.3 note 2.
    """
    found = feet_at_address(swing, s)
    if swing.view is not View.FACE_ON or swing.ball is None or found is None:
        return None
    lead, trail, _, torso_px = found
    stature = swing.stature_cm or STATURE_CM
    behind = stature * float(
        np.mean([nearer(f"lead_{part}", Position.P1, View.FACE_ON) for part in FEET])
    )
    club = OUT_PER_CM * (club_cm - IRON_CM) if club_cm else 0.0
    out = stature * nearer("ball", Position.P1, View.FACE_ON) + club - behind
    feet_row = _row((lead + trail) / 2, roll_deg)
    ball_row = _row(np.array([swing.ball.x, swing.ball.y]) - swing.centre, roll_deg)
    if ball_row - feet_row < LEAST_PX:
        return None
    away = swing.focal_px / scale.px_per_cm - behind
    usual = (feet_row, ball_row, away, out, FOOT_HEIGHT_CM)
    height = _height(swing.focal_px, *usual)
    steps = (
        FOOT_SE[View.FACE_ON] * torso_px / math.sqrt(2),
        swing.ball.se_px,
        away * scale.relative_se,
        OUT_SE_CM if club_cm else ANY_CLUB_SE_CM,
        FOOT_HEIGHT_SE_CM,
    )
    moved = [
        _height(swing.focal_px, *(value + step * (k == j) for k, value in enumerate(usual)))
        for j, step in enumerate(steps)
    ]
    if height is None or None in moved:
        return None
    return height, math.sqrt(sum((one - height) ** 2 for one in moved if one is not None))


def _row(px: Vector, roll_deg: float) -> float:
    turn = math.radians(roll_deg)
    return float(px[1] * math.cos(turn) - px[0] * math.sin(turn))


def _height(
    focal_px: float,
    feet_row: float,
    ball_row: float,
    away_cm: float,
    out_cm: float,
    foot_cm: float,
) -> float | None:
    """Find the height at which feet and ball are seen as far below the level as they are.

    The camera's pitch is not known: it is what makes the two heights the same one.
    """
    feet, ball = math.atan2(feet_row, focal_px), math.atan2(ball_row, focal_px)

    def heights(pitch: float) -> tuple[float, float]:
        return (
            away_cm * math.tan(feet - pitch) + foot_cm,
            (away_cm - out_cm) * math.tan(ball - pitch) + BALL_CM / 2,
        )

    pitches = np.radians(np.arange(-MOST_PITCH_DEG, MOST_PITCH_DEG, 0.05))
    pitches = pitches[(np.abs(feet - pitches) < 1.4) & (np.abs(ball - pitches) < 1.4)]
    by_feet, by_ball = (np.array(one) for one in zip(*map(heights, pitches), strict=True))
    apart = by_ball - by_feet
    crossing = np.nonzero((apart[:-1] < 0) != (apart[1:] < 0))[0]
    if not crossing.size:
        return None
    # Looking level is nearest to how cameras are held.
    at = crossing[int(np.argmin(np.abs(pitches[crossing])))]
    share = apart[at] / (apart[at] - apart[at + 1])
    return float((1 - share) * by_feet[at] + share * by_feet[at + 1])
