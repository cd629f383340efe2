"""When the clubhead passes the ball, from the tracks alone; without a club, what the hands tell."""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np
import xarray as xr
from scipy.interpolate import CubicSpline

from lessonmark.positions.impact import CLUB, HANDS, ImpactSource
from lessonmark.positions.signals import Floats, Path, hands_path, has_keypoints, path_of
from lessonmark.positions.times import Time
from lessonmark.words import View

__all__ = ["BallLike", "club_passing", "hands_passing"]

# How far the head may stand behind the ball at address, or the tracked point of the head may
# wander along it, in club lengths: about 2 cm of 1 m. Common practice, no source.
SE_AT_BALL_CLUB = 0.02
# The hands are back over their address, or lowest, before the head is at the ball: at impact they
# lead it by some 5 to 15 cm, at 5 to 7 m/s. Common practice, no source.
HANDS_LATE_S = 0.020
SE_HANDS_S = 0.018
# From down-the-line the head comes along the camera's axis and its picture turns back near the
# ball: it is about where it stood for some 20 ms, and an end of the line that is read a tenth too
# long or too short moves the nearest approach by ten. Where the line ends is off by 6 to 12 % of
# its length there (seen on the rendered swings), across it the club leans otherwise than at address
# by two or three degrees (common practice, no source). Shares of the club's length at address.
SE_END_FROM_BEHIND, SE_LEAN_FROM_BEHIND = 0.10, 0.04
_LOOK_S = 0.08


class BallLike(Protocol):
    """The ball at address, on the image."""

    @property
    def x(self) -> float:
        """Of its centre, px."""

    @property
    def y(self) -> float:
        """Of its centre, px."""

    @property
    def diameter(self) -> float:
        """In px."""


def club_passing(
    track: xr.Dataset,
    *,
    near_s: float,
    address_s: float | None,
    view: View,
    sign_target: int,
    roll_deg: float,
    ball: BallLike | None,
) -> ImpactSource | None:
    """Find when the clubhead is back where it stood at address, beside the ball.

    Parameters
    ----------
    near_s : about impact, s.
    address_s : P1, s; None where the swing has none.
    ball : in the image, used where the address shows no clubhead.

    Returns
    -------
    ImpactSource | None : None without a club, or where it does not come back.
    """
    if not has_keypoints(track, "clubhead", "grip_mid"):
        return None
    head = path_of(track, "clubhead", sign_target=sign_target, roll_deg=roll_deg)
    grip = path_of(track, "grip_mid", sign_target=sign_target, roll_deg=roll_deg)
    target = _where_it_stood(head, address_s)
    if target is None and ball is not None:
        c, s = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
        behind = sign_target * (ball.x * c - ball.y * s) - ball.diameter
        target = (behind, -(ball.x * s + ball.y * c))
    if target is None:
        return None
    followed = _head_between_frames(head, grip, near_s)
    if followed is None:
        return None
    fine, along, up, shaft, se = followed
    length = float(np.median(np.hypot(*shaft)))
    off_along, off_up = along - target[0], up - target[1]
    speed = np.hypot(np.gradient(along, fine), np.gradient(up, fine))
    se_px = math.hypot(se, SE_AT_BALL_CLUB * length)
    if view is View.FACE_ON:
        passes = np.flatnonzero((off_along[:-1] < 0) & (off_along[1:] >= 0))
        # Only a passing near the ground is one of the ball.
        passes = passes[np.abs(off_up[passes]) < 0.35 * length]
        if len(passes) == 0:
            return None
        at = int(passes[np.argmin(np.abs(fine[passes] - near_s))])
        share = -float(off_along[at]) / float(off_along[at + 1] - off_along[at])
        passed_s = float(fine[at] + share * (fine[at + 1] - fine[at]))
        se_s = se_px / max(float(speed[at]), 1e-6)
        return ImpactSource(kind=CLUB, time=Time(s=passed_s, se=max(se_s, 2e-4)))
    at = int(np.argmin(np.hypot(off_along, off_up)))
    if at in (0, len(fine) - 1) or np.hypot(off_along[at], off_up[at]) > 0.35 * length:
        return None
    back = _about_where_it_stood(fine, np.stack([off_along, off_up]), shaft)
    return ImpactSource(kind=CLUB, time=back)


def _about_where_it_stood(fine: Floats, off: Floats, shaft: Floats) -> Time:
    """Weigh every moment by how well the head is back where it stood, seen from behind.

    Parameters
    ----------
    fine : (time,) s.
    off : (2, time) px, of the head from where it stood.
    shaft : (2, time) px, from the hands to the head.
    """
    length = np.hypot(*shaft)
    far = float(np.percentile(length, 95))
    along = np.sum(off * shaft, axis=0) / length
    across = (off[1] * shaft[0] - off[0] * shaft[1]) / length
    misfit = (along / SE_END_FROM_BEHIND) ** 2 + (across / SE_LEAN_FROM_BEHIND) ** 2
    weight = np.exp(-0.5 * (misfit - misfit.min()) / far**2)
    weight /= weight.sum()
    s = float(np.sum(weight * fine))
    return Time(s=s, se=math.sqrt(float(np.sum(weight * (fine - s) ** 2))))


def hands_passing(
    track: xr.Dataset,
    *,
    near_s: float,
    address_s: float | None,
    view: View,
    sign_target: int,
    roll_deg: float,
) -> ImpactSource | None:
    """Guess impact from the hands: back over their address (face-on), or at their lowest."""
    hands = hands_path(track, sign_target=sign_target, roll_deg=roll_deg)
    about = hands.within(near_s - 2 * _LOOK_S, near_s + 2 * _LOOK_S)
    if len(about.t) < 4:
        return None
    stood = _where_it_stood(hands, address_s)
    if view is View.FACE_ON and stood is not None:
        off = about.along - stood[0]
        passes = np.flatnonzero((off[:-1] < 0) & (off[1:] >= 0))
        if len(passes):
            i = int(passes[np.argmin(np.abs(about.t[passes] - near_s))])
            share = -off[i] / (off[i + 1] - off[i])
            at = about.t[i] + share * (about.t[i + 1] - about.t[i]) + HANDS_LATE_S
            return ImpactSource(kind=HANDS, time=Time(s=float(at), se=SE_HANDS_S))
    lowest = float(about.t[int(np.argmin(about.up))])
    return ImpactSource(kind=HANDS, time=Time(s=lowest + HANDS_LATE_S, se=1.5 * SE_HANDS_S))


def _where_it_stood(path: Path, address_s: float | None) -> tuple[float, float] | None:
    if address_s is None:
        return None
    still = path.within(address_s - 0.25, address_s)
    if len(still.t) == 0:
        return None
    return float(np.median(still.along)), float(np.median(still.up))


def _head_between_frames(
    head: Path, grip: Path, near_s: float
) -> tuple[Floats, Floats, Floats, Floats, float] | None:
    """Follow the head between the frames, as a club that turns about its grip.

    Times, head along and up, shaft (2, time), px, and the error of a look, px.

    Near impact the head goes half a metre between two frames at 60 a second; its angle and
    length about the grip change far more evenly than its place.
    """
    t, i, j = np.intersect1d(head.t, grip.t, return_indices=True)
    near = np.abs(t - near_s) <= _LOOK_S
    if near.sum() < 4:
        return None
    t, i, j = t[near], i[near], j[near]
    along, up = head.along[i] - grip.along[j], head.up[i] - grip.up[j]
    angle, length = np.unwrap(np.arctan2(up, along)), np.hypot(along, up)
    fine = np.arange(t[0], t[-1], 2.5e-4)
    at_angle, at_length = CubicSpline(t, angle)(fine), CubicSpline(t, length)(fine)
    shaft = np.stack([at_length * np.cos(at_angle), at_length * np.sin(at_angle)])
    grip_along, grip_up = CubicSpline(t, grip.along[j])(fine), CubicSpline(t, grip.up[j])(fine)
    se = float(np.median(np.hypot(head.se_along[i], head.se_up[i]))) / math.sqrt(2)
    return (
        fine,
        np.asarray(grip_along + shaft[0], dtype=np.float64),
        np.asarray(grip_up + shaft[1], dtype=np.float64),
        shaft,
        se,
    )
