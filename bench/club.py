"""Club and ball against rendered truth: angle, head, coverage and time, by clip and phase.

    python bench/club.py [--clips FOLDER] [--network | --bodies FOLDER] [--scale F] [NAME ...]

Without ``--network`` the body is the truth's joints with autocorrelated noise of 3.5 px, which
tells the club's own error apart from the network's; with it, the pose network's track is used;
with ``--bodies``, the network's tracks as `bench/positions.py` keeps them in its cache folder.
``--scale`` makes the scale that the tracker is told so many times the true one.

The last column is the tracker's processor time, decoding included, over that of the bare landmark
network, run once for every frame of the clip: both on one core, in turn, three times, the medians.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import xarray as xr

from lessonmark.media.clip import ClipInfo
from lessonmark.media.frames import read_frame_nearest, read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.tracks.ball import find_ball
from lessonmark.tracks.club import track_club
from lessonmark.tracks.dataset import read_track
from lessonmark.tracks.schema import BODY_KEYPOINTS, SPACE
from lessonmark.words import Handedness, View

NETWORK_MS = 14.0  # the pose network's time a frame on one core, where its weights are not there
NETWORK_FRAMES = 60  # a round
ROUNDS = 3
NOISE_PX = 3.5
NOISE_LASTS = 0.8  # correlation of a joint's noise from frame to frame at 120 a second
PHASES = (
    ("address", None, "P1"),
    ("back", "P1", "P4"),
    ("down", "P4", "P6"),
    ("impact", "P6", "P8"),
    ("through", "P8", "P10"),
    ("finish", "P10", None),
)


@dataclass(frozen=True, kw_only=True)
class Row:
    """One clip's figures; angles in degrees."""

    name: str
    rms: dict[str, float]
    seen: dict[str, float]
    cover: float
    cover_seen: float
    worst: float
    head_px: float
    of_network: float  # the tracker's time over the bare network's
    ball_px: float
    ball_time_ms: float
    note: str


def noisy_body(truth: dict[str, Any], *, seed: int = 0) -> xr.Dataset:
    """Build a body track from the truth's joints, with noise."""
    joints = {name: np.asarray(path, float) for name, path in truth["joints2d"].items()}
    lead, trail = truth["lead_side"], truth["trail_side"]
    times = np.asarray(truth["timestamps"])
    hands = joints["grip_mid"] - 0.5 * (joints["wrist_lead"] + joints["wrist_trail"])
    source: dict[str, np.ndarray] = {"nose": joints["nose"]}
    for ours, theirs in ((lead, "lead"), (trail, "trail")):
        for part in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "eye", "ear"):
            source[f"{ours}_{part}"] = joints[f"{part}_{theirs}"]
        source[f"{ours}_foot_index"] = joints[f"toe_{theirs}"]
        for part in ("index", "pinky", "thumb"):
            source[f"{ours}_{part}"] = joints[f"wrist_{theirs}"] + 1.2 * hands
    random = np.random.default_rng(seed)
    keep = NOISE_LASTS ** (120.0 / truth["fps"])
    position = np.full((len(times), 2, len(BODY_KEYPOINTS)), np.nan)
    for k, name in enumerate(BODY_KEYPOINTS):
        path = source.get(name)
        if path is None:
            path = source["nose"]
        noise = random.normal(0, NOISE_PX * truth["camera"]["width"] / 720, path.shape)
        for i in range(1, len(noise)):
            noise[i] = keep * noise[i - 1] + np.sqrt(1 - keep**2) * noise[i]
        position[:, :, k] = path + noise
    cov = np.zeros((len(times), 2, 2, len(BODY_KEYPOINTS)))
    cov[:, 0, 0] = cov[:, 1, 1] = NOISE_PX**2
    return xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), position),
            "position_cov": (("time", "space", "space_other", "keypoint"), cov),
            "velocity": (
                ("time", "space", "keypoint"),
                np.gradient(position, times, axis=0),
            ),
            "visibility": (("time", "keypoint"), np.ones((len(times), len(BODY_KEYPOINTS)))),
        },
        coords={
            "time": times,
            "space": list(SPACE),
            "space_other": list(SPACE),
            "keypoint": list(BODY_KEYPOINTS),
        },
    )


def network_body(clip: ClipInfo, view: View, handedness: Handedness) -> xr.Dataset:
    """Track the body with the pose network."""
    from lessonmark.tracks.body import BodyTracker
    from lessonmark.tracks.dataset import body_dataset

    raw = BodyTracker().track(partial(read_frames, clip))
    return body_dataset(raw, clip=clip, view=view, handedness=handedness)


def bare_network(path: Path) -> Callable[[], float]:
    """Give a way to time the landmark network alone on this machine, ms a frame."""
    from lessonmark.errors import WeightsMissing
    from lessonmark.tracks.detector import PersonDetector
    from lessonmark.tracks.landmarks import LandmarkNetwork

    try:
        network = LandmarkNetwork(threads=1)
        frame = read_frame_nearest(probe_clip(path), 0.1).image
        region = PersonDetector().find(frame)[0].region
    except WeightsMissing:
        return lambda: NETWORK_MS
    network.locate(frame, region)

    def timed() -> float:
        before = time.process_time()
        for _ in range(NETWORK_FRAMES):
            network.locate(frame, region)
        return 1e3 * (time.process_time() - before) / NETWORK_FRAMES

    return timed


def measure_clip(
    path: Path, *, network: bool, bodies: Path | None, name: str, scale_times: float = 1.0
) -> Row:
    """Track one clip and compare."""
    truth = json.loads(path.with_suffix(".json").read_text())
    clip = probe_clip(path)
    view = View(truth["camera"]["view"])
    hand = Handedness.LEFT if truth["left_handed"] else Handedness.RIGHT
    if bodies is not None:
        body = read_track(bodies / (name.replace("/", "__") + ".nc"))
    else:
        body = network_body(clip, view, hand) if network else noisy_body(truth)
    # A declared scale is good to some per cent: the golfer's depth is taken as the camera's.
    scale = scale_times * truth["camera"]["fx"] / truth["camera"]["t0"][2] / 100
    times = body["time"].to_numpy()

    def frames(start_s: float, stop_s: float) -> Iterator[Any]:
        return read_frames(clip, grey=True, start_s=start_s, stop_s=stop_s)

    bare = bare_network(path)
    club_ms, bare_ms = [], []
    for _ in range(ROUNDS):
        before = time.process_time()
        got = track_club(
            frames,
            body,
            clip=clip,
            view=view,
            handedness=hand,
            club_length_cm=100 * truth["club_len"],
            px_per_cm=scale,
            spans=[(float(times[0]), float(times[-1]))],
        )
        club_ms.append(1e3 * (time.process_time() - before) / len(times))
        bare_ms.append(bare())
    of_network = statistics.median(club_ms) / statistics.median(bare_ms)
    empty = {name: float("nan") for name, _, _ in PHASES}
    if not got.found:
        nan = float("nan")
        return Row(
            name=name, rms=empty, seen=empty, cover=nan, cover_seen=nan, worst=nan, head_px=nan,
            of_network=of_network, ball_px=nan, ball_time_ms=nan, note=got.note,
        )  # fmt: skip
    joints = {key: np.asarray(value, float) for key, value in truth["joints2d"].items()}
    stamps = np.asarray(truth["timestamps"])
    rows = np.array([int(np.abs(times - s).argmin()) for s in stamps])
    track = got.track.isel(time=rows)
    shaft = joints["hosel"] - joints["grip_butt"]
    error = np.degrees(track["shaft_angle"].to_numpy() - np.arctan2(-shaft[:, 1], shaft[:, 0]))
    error = (error + 180) % 360 - 180
    se = np.degrees(track["shaft_angle_se"].to_numpy())
    seen = track["shaft_seen"].to_numpy() > 0
    head = track["position"].sel(keypoint="clubhead").to_numpy()
    head_error = np.hypot(*(head - joints["clubhead"]).T)
    inside = np.abs(error) < 1.96 * se
    rms, share = {}, {}
    for phase, first, last in PHASES:
        start = truth["events"][first] if first else -1.0
        stop = truth["events"][last] if last else 1e9
        now = (stamps >= start) & (stamps < stop)
        both = now & seen
        rms[phase] = float(np.sqrt(np.mean(error[both] ** 2))) if both.any() else float("nan")
        share[phase] = float(np.mean(seen[now])) if now.any() else float("nan")
    swing = (stamps >= truth["events"]["P1"]) & (stamps < truth["events"]["P10"])
    ball = find_ball(
        frames, got.track, clip=clip, px_per_cm=scale,
        span=(float(times[0]), float(times[-1])),
    )  # fmt: skip
    ball_px = ball_ms = float("nan")
    if ball is not None:
        ball_px = float(np.hypot(ball.x - joints["ball"][0, 0], ball.y - joints["ball"][0, 1]))
        ball_ms = 1e3 * (ball.departure_s - truth["impact_time"])
    return Row(
        name=name,
        rms=rms,
        seen=share,
        cover=float(np.mean(inside)),
        cover_seen=float(np.mean(inside[seen])),
        worst=float(np.max(np.abs(error[seen & swing]))),
        head_px=float(np.median(head_error[seen & swing])),
        of_network=of_network,
        ball_px=ball_px,
        ball_time_ms=ball_ms,
        note="",
    )


def main() -> None:
    """Print the table."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    cv2.setNumThreads(1)
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=Path, default=Path("../shared/clips"))
    parser.add_argument("--network", action="store_true")
    parser.add_argument("--bodies", type=Path, help="the network's tracks, kept in a folder")
    parser.add_argument("--scale", type=float, default=1.0, help="times the true scale")
    parser.add_argument("names", nargs="*", help="only clips whose path holds one of these")
    asked = parser.parse_args()
    paths = sorted(asked.clips.rglob("*.mp4"))
    named = [(path, str(path.relative_to(asked.clips).with_suffix(""))) for path in paths]
    if asked.names:
        named = [pair for pair in named if any(name in pair[1] for name in asked.names)]
    phases = " | ".join(name for name, _, _ in PHASES)
    print(f"| clip | {phases} | in 95 % | of seen | worst | head px | ball px, ms | of network |")
    print("| --- " * (len(PHASES) + 7) + "|")
    for path, name in named:
        row = measure_clip(
            path, network=asked.network, bodies=asked.bodies, name=name, scale_times=asked.scale
        )
        cells = " | ".join(
            f"{row.rms[phase]:.2f} ({100 * row.seen[phase]:.0f})" for phase, _, _ in PHASES
        )
        print(
            f"| {name} | {cells} | {100 * row.cover:.0f} | {100 * row.cover_seen:.0f} "
            f"| {row.worst:.1f} | {row.head_px:.1f} | {row.ball_px:.1f}, {row.ball_time_ms:.1f} "
            f"| {100 * row.of_network:.0f} % | {row.note}",
            flush=True,
        )


if __name__ == "__main__":
    main()
