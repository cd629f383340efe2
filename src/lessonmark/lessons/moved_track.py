"""A track with the coach's corrections in it.

A landmark that was put right in one frame was wrong in the frames around it too: the shift fades
out over `FADE_S` to both sides, and so does the trust in the hand. How well a hand places a point
is common practice, no source: about a fortieth of the trunk, given here by the picture's height.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import numpy.typing as npt
import xarray as xr

from lessonmark.lessons.analyser import MovedLandmark
from lessonmark.positions.by_hand import keep_by_hand, place_by_hand
from lessonmark.positions.times import SwingPositions
from lessonmark.words import Position

__all__ = ["FADE_S", "moved_positions", "moved_track"]

FADE_S = 0.05
HAND_SE_SHARE = 0.002  # of the picture's height: 2.6 px of 1280
_SHAFT_ENDS = ("grip_butt", "grip_mid", "clubhead")


def moved_track(track: xr.Dataset, landmarks: Iterable[MovedLandmark], height: int) -> xr.Dataset:
    """Copy a track with its landmarks where the coach put them.

    Parameters
    ----------
    track : lead and trail names.
    height : of the picture, px.
    """
    moved = track.copy(deep=True)
    for landmark in landmarks:
        _move(moved, landmark, HAND_SE_SHARE * height)
    return moved


def moved_positions(
    positions: SwingPositions, at: Mapping[Position, float], *, fps: float
) -> SwingPositions:
    """Put positions where the coach placed them, whatever the analysis found."""
    by_hand = SwingPositions()
    for position in Position:
        if position in at:
            by_hand = place_by_hand(by_hand, position, at[position], fps=fps)
    return keep_by_hand(by_hand, positions)


def _move(track: xr.Dataset, landmark: MovedLandmark, hand_se: float) -> None:
    times = np.asarray(track["time"].values, dtype=float)
    frame = int(np.argmin(np.abs(times - landmark.s)))
    weight = _fade(times - times[frame])
    near = weight > 0
    point = {"keypoint": landmark.keypoint}
    before = _shaft(track, near) if landmark.keypoint in _SHAFT_ENDS else None
    place = track["position"].loc[point].transpose("time", "space")
    shift = np.array([landmark.x, landmark.y]) - place.values[frame]
    place.values[near] += weight[near, None] * shift
    track["position"].loc[point] = place
    if "velocity" in track:
        speed = track["velocity"].loc[point].transpose("time", "space")
        speed.values[near] += np.gradient(weight, times)[near, None] * shift
        track["velocity"].loc[point] = speed
    spread = track["position_cov"].loc[point].transpose("time", "space", "space_other")
    trust = weight[near, None, None]
    spread.values[near] = (1 - trust) * spread.values[near] + trust * hand_se**2 * np.eye(2)
    track["position_cov"].loc[point] = spread
    if "visibility" in track:
        seen = track["visibility"].loc[point]
        seen.values[near] = np.fmax(seen.values[near], weight[near])
        track["visibility"].loc[point] = seen
    if before is not None:
        _turn_shaft(track, near, before, weight, hand_se)
    _follow_middle(track, landmark.keypoint)


def _follow_middle(track: xr.Dataset, keypoint: str) -> None:
    """Keep the middle of a pair between its two sides."""
    side, _, joint = keypoint.partition("_")
    middle = f"mid_{joint}"
    names = set(track["keypoint"].values.tolist())
    pair = [f"lead_{joint}", f"trail_{joint}"]
    if side not in ("lead", "trail") or not {middle, *pair} <= names:
        return
    for name, share in (("position", 0.5), ("velocity", 0.5), ("position_cov", 0.25)):
        if name in track:
            both = track[name].sel(keypoint=pair).sum("keypoint", skipna=False)
            track[name].loc[{"keypoint": middle}] = share * both


def _fade(away_s: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    inside = np.abs(away_s) < FADE_S
    return np.where(inside, 0.5 * (1 + np.cos(np.pi * away_s / FADE_S)), 0.0)


def _shaft(
    track: xr.Dataset, near: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]] | None:
    """Direction (rad, + counter-clockwise in the image) and length (px) of the shaft's points."""
    names = set(track["keypoint"].values.tolist())
    if "shaft_angle" not in track or not {"grip_butt", "clubhead"} <= names:
        return None
    place = track["position"].transpose("time", "space", "keypoint")
    along = (place.sel(keypoint="clubhead") - place.sel(keypoint="grip_butt")).values[near]
    return np.arctan2(-along[:, 1], along[:, 0]), np.hypot(along[:, 0], along[:, 1])


def _turn_shaft(
    track: xr.Dataset,
    near: npt.NDArray[np.bool_],
    before: tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]],
    weight: npt.NDArray[np.float64],
    hand_se: float,
) -> None:
    after = _shaft(track, near)
    if after is None:
        return
    turn = (after[0] - before[0] + np.pi) % (2 * np.pi) - np.pi
    track["shaft_angle"].values[near] += np.nan_to_num(turn)
    error = np.hypot(hand_se, hand_se) / np.maximum(after[1], 1.0)
    share = weight[near]
    track["shaft_angle_se"].values[near] = (1 - share) * track["shaft_angle_se"].values[
        near
    ] + share * error
