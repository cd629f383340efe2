"""Tracks for `bench/positions.py`: real ones, kept in a cache folder, or built from the truth."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from lessonmark.lessons.clip_analysis import level_turn_deg
from lessonmark.measures.camera import check_camera
from lessonmark.measures.seen import SwingSeen, usual_toward
from lessonmark.media.clip import ClipInfo, Frame
from lessonmark.media.frames import read_frame_nearest, read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.media.sound import read_sound
from lessonmark.media.strike import Strike, correct_for_distance, find_strikes
from lessonmark.positions.find import find_positions
from lessonmark.positions.swings import find_swings
from lessonmark.positions.times import Time
from lessonmark.tracks.anatomy import to_joint_centres
from lessonmark.tracks.ball import Ball, find_ball
from lessonmark.tracks.body import BodyTracker
from lessonmark.tracks.club import track_club
from lessonmark.tracks.club_hands import guess_px_per_cm
from lessonmark.tracks.dataset import body_dataset, read_track, write_track
from lessonmark.tracks.refined import refine_joints
from lessonmark.tracks.refiner import JointRefiner
from lessonmark.tracks.schema import CLUB_KEYPOINTS
from lessonmark.tracks.sides import by_lead_trail
from lessonmark.words import Handedness, View

AIR_C = 20.0  # the rendered sound travels at 343 m/s
SIDED = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "ear")
# Errors of a track built from the truth, like a tracker's before any smoothing.
BODY_SE_PX_OF_1280 = 3.0
SHAFT_SE_RAD = float(np.radians(1.5))
ERRORS_LAST_S = 0.02


@dataclass(frozen=True, kw_only=True)
class Seen:
    """All that a clip gives the positions."""

    track: xr.Dataset  # lead and trail names, joint centres, with the club
    strikes: tuple[Strike, ...]  # corrected by the camera's distance
    ball: Ball | None
    roll_deg: float = 0.0  # the camera's, as the program finds it
    roll_se_deg: float = 0.5

    @property
    def ball_left(self) -> Time | None:
        if self.ball is None or self.ball.departure_s is None or self.ball.departure_se is None:
            return None
        return Time(s=self.ball.departure_s, se=self.ball.departure_se)


def see(path: Path, truth: dict[str, Any], *, cache: Path, name: str) -> Seen:
    """Track a clip, or read what was tracked before from `cache`."""
    view = View(truth["camera"]["view"])
    hand = Handedness.LEFT if truth["left_handed"] else Handedness.RIGHT
    clip = probe_clip(path)
    body_file, club_file = cache / f"{name}.nc", cache / f"{name}.club.nc"
    if body_file.exists():
        body = read_track(body_file)
    else:
        raw = BodyTracker().track(lambda: read_frames(clip))
        body = body_dataset(raw, clip=clip, view=view, handedness=hand)
        write_track(body, body_file)

    def grey(start_s: float, stop_s: float) -> Iterable[Frame]:
        return read_frames(clip, start_s=start_s, stop_s=stop_s, grey=True)

    spans = [(span.start_s, span.stop_s) for span in find_swings(body)]
    joints_file = cache / f"{name}.joints.nc"
    if joints_file.exists():
        joints = read_track(joints_file)
    else:
        joints = refine_joints(
            lambda start_s, stop_s: read_frames(clip, start_s=start_s, stop_s=stop_s),
            to_joint_centres(body, view),
            refiner=JointRefiner(),
            spans=spans,
        )
        write_track(joints, joints_file)
    ball_file = cache / f"{name}.ball.json"
    if club_file.exists():
        club = read_track(club_file)
    else:
        club = track_club(
            grey,
            body,
            clip=clip,
            view=view,
            handedness=hand,
            club_length_cm=100 * truth["club_len"],
            px_per_cm=None,
            spans=spans,
        ).track
        write_track(club, club_file)
        ball_file.unlink(missing_ok=True)
    if ball_file.exists():
        kept = json.loads(ball_file.read_text())
        ball = None if kept is None else Ball(**kept)
    else:
        scale = guess_px_per_cm(body)
        ball = find_ball(grey, club, clip=clip, px_per_cm=scale, span=spans[0]) if spans else None
        ball_file.write_text(json.dumps(None if ball is None else asdict(ball)))
    track = by_lead_trail(_with_club(joints, club), hand)
    roll_deg, roll_se_deg = _roll(clip, track, view, hand, cache / f"{name}.roll.json")
    sound = read_sound(clip)
    strikes = find_strikes(sound) if sound is not None else ()
    distance = truth["camera"]["distance_to_ball"]
    return Seen(
        track=track,
        strikes=tuple(
            correct_for_distance(strike, distance, AIR_C, distance_se_m=0.5) for strike in strikes
        ),
        ball=ball,
        roll_deg=roll_deg,
        roll_se_deg=roll_se_deg,
    )


def _roll(
    clip: ClipInfo,
    track: xr.Dataset,
    view: View,
    hand: Handedness,
    kept: Path,
) -> tuple[float, float]:
    """Find how far the camera leans as the program does, in the picture at address."""
    spans = find_swings(track)
    if not spans:
        return 0.0, 0.5
    if not kept.exists():
        swing = SwingSeen(
            track=track,
            positions=find_positions(track, spans[0], view=view, sign_target=usual_toward(hand)),
            view=view,
            handedness=hand,
            toward=usual_toward(hand),
            width=clip.width,
            height=clip.height,
            fps=clip.fps_filmed,
            scale=None,
            ball=None,
            camera=None,
            stature_cm=None,
        )
        camera = check_camera(swing, lambda s: read_frame_nearest(clip, s, grey=True).image)
        kept.write_text(json.dumps([level_turn_deg(camera), camera.roll_se_deg]))
    roll_deg, roll_se_deg = json.loads(kept.read_text())
    return roll_deg, roll_se_deg


def _with_club(centres: xr.Dataset, club: xr.Dataset) -> xr.Dataset:
    """Join the joints' centres with the club that was found on the network's own points."""
    if "shaft_angle" not in club:
        return centres
    whole = [str(v) for v in centres.data_vars if "keypoint" in centres[v].dims]
    own = club.sel(keypoint=list(CLUB_KEYPOINTS))
    blank = xr.zeros_like(centres[whole].isel(keypoint=[0] * len(CLUB_KEYPOINTS)))
    blank = blank.assign_coords(keypoint=list(CLUB_KEYPOINTS))
    for variable in whole:
        if variable in own:
            blank[variable] = own[variable]
    joined = xr.concat([centres[whole], blank], dim="keypoint")
    for variable in club.data_vars:
        if str(variable).startswith("shaft_"):
            joined[variable] = club[variable]
    joined.attrs = dict(centres.attrs)
    return joined


def built(truth: dict[str, Any], *, seed: int) -> Seen:
    """Build a track as a poor tracker might, from the true points; sound as heard, no ball."""
    rng = np.random.default_rng(seed)
    t = np.array(truth["timestamps"])
    points = {name: np.array(xy, dtype=float) for name, xy in truth["joints2d"].items()}
    size = max(truth["camera"]["height_px"], truth["camera"]["width"]) / 1280
    se = BODY_SE_PX_OF_1280 * size
    held: dict[str, tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]] = {}
    for part in SIDED:
        for side in ("lead", "trail"):
            moved = points[f"{part}_{side}"] + se * _alike(rng, t)
            held[f"{side}_{part}"] = moved, np.full(len(t), se)
    grip = points["grip_mid"] + se / 2 * _alike(rng, t)
    shaft = points["clubhead"] - points["grip_mid"]
    length = np.hypot(*shaft.T)
    # A foreshortened shaft is a short line: its angle is the worse known.
    se_angle = SHAFT_SE_RAD * np.clip(np.percentile(length, 95) / np.maximum(length, 1), 1, 10)
    angle = np.unwrap(np.arctan2(-shaft[:, 1], shaft[:, 0])) + se_angle * _alike(rng, t)[:, 0]
    head = grip + length[:, None] * np.stack([np.cos(angle), -np.sin(angle)], axis=1)
    held["grip_mid"] = grip, np.full(len(t), se / 2)
    held["clubhead"] = head, np.hypot(se / 2, se_angle * length)
    cov = np.zeros((len(t), 2, 2, len(held)))
    sigma = np.stack([s for _, s in held.values()], axis=1)
    cov[:, 0, 0] = cov[:, 1, 1] = sigma**2
    square = ("time", "space", "space_other", "keypoint")
    track = xr.Dataset(
        {
            "position": (
                ("time", "space", "keypoint"),
                np.stack([xy for xy, _ in held.values()], axis=2),
            ),
            "position_cov": (square, cov),
            "position_systematic": (square, 0 * cov),
            "shaft_angle": ("time", angle),
            "shaft_angle_se": ("time", se_angle),
            "shaft_seen": ("time", np.ones(len(t))),
        },
        coords={"time": t, "space": ["x", "y"], "space_other": ["x", "y"], "keypoint": [*held]},
    )
    heard = truth["impact_time"] + 0.0007 * rng.standard_normal()
    strike = Strike(s=heard, se_s=0.0007, strength_db=20.0, level_db=-20.0)
    return Seen(track=track, strikes=(strike,), ball=None)


def _alike(rng: np.random.Generator, t: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Unit noise (time, 2) whose neighbours are alike: first-order autoregression."""
    rho = float(np.exp(-np.median(np.diff(t)) / ERRORS_LAST_S))
    noise = rng.standard_normal((len(t), 2))
    for i in range(1, len(t)):
        noise[i] = rho * noise[i - 1] + np.sqrt(1 - rho**2) * noise[i]
    return noise
