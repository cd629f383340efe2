"""The lines whose levels are positions: lead arm, trail arm and shaft, as heights over time."""

from __future__ import annotations

import math

import numpy as np
import xarray as xr

from lessonmark.positions.signals import Path, Trace, hands_path, has_keypoints, path_of
from lessonmark.words import View

__all__ = ["arm_elevation", "arms_turn", "shaft_angle", "shaft_elevation", "unseen_s"]

# A line that is level in the world is not quite level on the image unless it lies square to the
# camera: at height h below the camera, with a part d of its length along the camera's axis and
# at distance z, it is tilted by about (h / z) d (pinhole geometry), its near end lower.
# Face-on, with h up to 0.45 m, z about 4 m and d up to a quarter either way, that is up to
# 1.6 deg. From down-the-line a level shaft points along the axis and the camera stands between
# the hands' height and the chest's: 0 to 6.4 deg, the end nearer to the camera lower. Anything
# between is as likely: the middle is taken out, the standard error is half the width over the
# root of 3 (JCGM 100:2008, 4.3.7). The ends of a shaft that points along the axis are found less
# well than its line, which weighs four times as much (seen on the rendered swings). Arms are
# nearer to the camera's height, but turn deeper. rad.
SE_LEVEL = {
    (View.FACE_ON, "shaft"): math.radians(0.9),
    (View.FACE_ON, "arm"): math.radians(1.2),
    (View.DOWN_THE_LINE, "shaft"): math.radians(8.0),
    (View.DOWN_THE_LINE, "arm"): math.radians(2.0),
}
LEVEL_SHAFT_LOOKS = {View.FACE_ON: 0.0, View.DOWN_THE_LINE: math.radians(3.2)}
# Where a pose network sees the shoulder of an arm that crosses the chest, and elbow and wrist,
# against the joints' centres, for tracks that do not say so themselves (`position_systematic`).
# Seen on the rendered swings.
SE_ARM_LANDMARKS = math.radians(9.0)
SE_FOREARM_LANDMARKS = {View.FACE_ON: math.radians(2.5), View.DOWN_THE_LINE: math.radians(9.0)}
# A straight lead arm is bent a little, the forearm so much steeper. Common practice, no source.
FOREARM_ABOVE_ARM, SE_FOREARM = math.radians(2.0), math.radians(2.5)


def arm_elevation(
    track: xr.Dataset, side: str, *, view: View, roll_deg: float, roll_se_deg: float
) -> Trace:
    """Follow an arm's elevation, shoulder to wrist, rad, 0 = level, + wrist higher.

    The height of the wrist over the shoulder is taken over the arm's greatest length on the
    image, so that an arm that points at the camera does not look steep. Where the track's points
    are a network's own, not yet the joints' centres, the forearm helps to level the lead arm.
    """
    shoulder = path_of(track, f"{side}_shoulder", roll_deg=roll_deg)
    wrist = path_of(track, f"{side}_wrist", roll_deg=roll_deg)
    se_level = SE_LEVEL[view, "arm"]
    centred = "position_systematic" in track
    se_arm = 0.0 if centred else SE_ARM_LANDMARKS
    whole = _elevation(shoulder, wrist, math.hypot(se_level, se_arm), roll_se_deg)
    if centred or side == "trail" or not has_keypoints(track, f"{side}_elbow"):
        return whole
    elbow = path_of(track, f"{side}_elbow", roll_deg=roll_deg)
    se_forearm = math.hypot(se_level, SE_FOREARM, SE_FOREARM_LANDMARKS[view])
    forearm = _elevation(elbow, wrist, se_forearm, roll_se_deg)
    forearm = Trace(t=forearm.t, value=forearm.value - FOREARM_ABOVE_ARM, se=forearm.se)
    return _mean(whole, forearm)


def unseen_s(track: xr.Dataset, at_s: float) -> float:
    """How long about `at_s` the shaft was predicted only, s; 0 where it was seen."""
    if "shaft_seen" not in track:
        return 0.0
    t = track.time.values.astype(np.float64)
    seen = t[track.shaft_seen.values > 0.5]
    before, after = seen[seen <= at_s], seen[seen >= at_s]
    if len(before) == 0 or len(after) == 0:
        return math.inf
    gap = float(after[0] - before[-1])
    return gap if gap > 1.5 * float(np.median(np.diff(t))) else 0.0


def shaft_angle(track: xr.Dataset) -> Trace | None:
    """Follow the shaft's angle on the image, rad, unwrapped; None without a club."""
    if "shaft_angle" not in track:
        return None
    angle = track.shaft_angle.values.astype(np.float64)
    keep = np.isfinite(angle)
    if not keep.any():
        return None
    return Trace(
        t=track.time.values[keep].astype(np.float64),
        value=np.unwrap(angle[keep]),
        se=track.shaft_angle_se.values[keep].astype(np.float64),
    )


def shaft_elevation(
    track: xr.Dataset, *, view: View, away: bool, roll_deg: float, roll_se_deg: float
) -> Trace | None:
    """Follow the shaft's elevation, grip to head, rad, 0 = level, + head higher.

    `away` says whether the shaft points away from the target when it is level (P2, P6) or toward
    it (P8): from down-the-line that is toward the camera or away from it.

    Face-on it is the shaft's angle folded into [-90, 90] deg; from down-the-line, where the
    shaft points along the camera's axis near the level, the heights of its ends.

    Returns
    -------
    Trace | None : None where the track carries no club.
    """
    se_level = SE_LEVEL[view, "shaft"]
    ends = has_keypoints(track, "grip_mid", "clubhead")
    if "shaft_angle" in track and (view is View.FACE_ON or not ends):
        t = track.time.values.astype(np.float64)
        angle = track.shaft_angle.values.astype(np.float64) - math.radians(roll_deg)
        keep = np.isfinite(angle)
        own = track.shaft_angle_se.values[keep].astype(np.float64)
        se = np.sqrt(own**2 + se_level**2 + math.radians(roll_se_deg) ** 2)
        folded = np.arcsin(np.clip(np.sin(angle[keep]), -1.0, 1.0))
        return Trace(t=t[keep], value=folded, se=se)
    if ends:
        grip = path_of(track, "grip_mid", roll_deg=roll_deg)
        head = path_of(track, "clubhead", roll_deg=roll_deg)
        seen = _elevation(grip, head, se_level, roll_se_deg)
        looks = LEVEL_SHAFT_LOOKS[view] * (-1 if away else 1)
        return Trace(t=seen.t, value=seen.value - looks, se=seen.se)
    return None


def arms_turn(
    track: xr.Dataset, start_s: float, stop_s: float, *, sign_target: int, roll_deg: float
) -> Trace:
    """Follow how far the arms have swung from hanging, rad, + away from the target.

    The hands' middle about the place of the shoulders' middle, which hardly moves while the arms
    turn back. The lead shoulder itself is hidden behind the chin then, and a network's idea of it
    wanders.
    """
    shoulders = path_of(
        track, "lead_shoulder", "trail_shoulder", sign_target=sign_target, roll_deg=roll_deg
    ).within(start_s, stop_s)
    hands = hands_path(track, sign_target=sign_target, roll_deg=roll_deg).within(start_s, stop_s)
    if len(hands.t) == 0 or len(shoulders.t) == 0:
        return Trace(t=hands.t, value=hands.up, se=hands.se_up)
    along = hands.along - float(np.median(shoulders.along))
    up = hands.up - float(np.median(shoulders.up))
    se = np.sqrt((hands.se_along**2 + hands.se_up**2) / 2) / np.hypot(along, up)
    return Trace(t=hands.t, value=np.unwrap(np.arctan2(-along, -up)), se=se)


def _mean(a: Trace, b: Trace) -> Trace:
    """Weigh two sights of one elevation by their errors."""
    t, i, j = np.intersect1d(a.t, b.t, return_indices=True)
    if len(t) == 0:
        return a
    weight = a.se[i] ** -2 / (a.se[i] ** -2 + b.se[j] ** -2)
    value = weight * a.value[i] + (1 - weight) * b.value[j]
    return Trace(t=t, value=value, se=1 / np.sqrt(a.se[i] ** -2 + b.se[j] ** -2))


def _elevation(lower: Path, upper: Path, se_level: float, roll_se_deg: float) -> Trace:
    t, i, j = np.intersect1d(lower.t, upper.t, return_indices=True)
    along = upper.along[j] - lower.along[i]
    up = upper.up[j] - lower.up[i]
    if len(t) == 0:
        return Trace(t=t, value=up, se=up)
    length = float(np.percentile(np.hypot(along, up), 95))
    roll = np.abs(along) / length * math.radians(roll_se_deg)
    own = np.sqrt(
        lower.se_up[i] ** 2 + upper.se_up[j] ** 2 + lower.sys_up[i] ** 2 + upper.sys_up[j] ** 2
    )
    return Trace(
        t=t,
        value=np.arcsin(np.clip(up / length, -1.0, 1.0)),
        se=np.sqrt((own / length) ** 2 + se_level**2 + roll**2),
    )
