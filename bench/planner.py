"""The obstacle planner against the clips' true clubhead paths: touch or clear, and by how much.

    python bench/planner.py [--clips FOLDER] [--cache FOLDER] [--tracks real|truth]

Each face-on swing meets obstacles of many heights, distances and shapes. The truth is the 3-D
clubhead dropped square on the plane of target line and upright. With `--tracks real` everything is
found from the clip's pixels by the product's own way, stature and club length declared; with
`truth` the drawn joints with noise stand in for the track. Findings are kept in the cache.
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
from pydantic import TypeAdapter

from lessonmark.drills.obstacle import Obstacle, Shape, swing_clearance
from lessonmark.drills.obstacle_path import club_path, head_radius_cm
from lessonmark.errors import LessonmarkError
from lessonmark.lessons.clip_analysis import analyse_clip
from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding
from lessonmark.lessons.swing_source import SwingSource, rebuilt_swing
from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import SwingSeen
from lessonmark.tracks.body import BodyTracker
from lessonmark.words import Stage, View
from measures_truth import TrueClip, find_clips

DISTANCES_CM = (15, 20, 25, 30, 35, 40, 50, 60)
HEIGHTS_CM = (3, 4, 5, 6, 7, 8, 10, 12, 15)
FINE = 12  # points between two frames of the truth


_tracker: list[BodyTracker] = []


def tracker() -> BodyTracker:
    """Load the network once, and only where a track is not in the cache."""
    if not _tracker:
        _tracker.append(BodyTracker())
    return _tracker[0]


def earlier(path: Path, cache: Path) -> ClipFinding | None:
    """Find what an earlier run of whatever code measured in the same clip."""
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    for file in sorted(cache.glob("*.json"), key=lambda one: -one.stat().st_mtime):
        found = TypeAdapter(ClipFinding).validate_json(file.read_bytes())
        if found.sha256 == sha256:
            return found
    return None


def product_swing(clip: TrueClip, cache: Path, *, reuse: bool) -> SwingSeen:
    """The first swing of a clip as the product sees it, from the pixels."""
    derived = Derived(cache)
    path = clip.path.with_suffix(".mp4")
    settings = ClipSettings(
        clip=path.name,
        view=clip.view,
        stage=Stage.BEFORE,
        handedness=clip.handedness,
        mirrored=False,
        fps_declared=None,
        stature_cm=clip.stature_cm,
        club_length_cm=100 * clip.json["club_len"],
        air_temperature_c=20.0,
        heavy=False,
    )
    found = earlier(path, cache) if reuse else None
    if found is None:
        found = analyse_clip(path, settings, derived=derived, tracker=tracker)
    track = derived.track(found.track)
    assert track is not None
    return rebuilt_swing(
        SwingSource(folder=path.parent, clip=found, swing=found.swings[0], track=track)
    )


def noisy_swing(clip: TrueClip, noise_px: float = 2.0) -> SwingSeen:
    """The true joints as drawn, with white noise, and a scale and a camera that are a bit off."""
    rng = np.random.default_rng(len(clip.name))
    camera = CameraCheck(
        roll_deg=-clip.json["camera"]["roll"] + rng.normal(0, 0.5),
        roll_se_deg=0.5,
        roll_from="the clip's own file, with noise",
        yaw_deg=clip.toward * clip.json["camera"]["yaw"] + rng.normal(0, 3.0),
        yaw_se_deg=3.0,
        distance_cm=None,
        height_cm=None,
        moved_px=None,
        pitch_deg=clip.json["camera"]["pitch"] + rng.normal(0, 1.0),
        pitch_se_deg=1.0,
    )
    px_per_cm = clip.px_per_cm * (1 + rng.normal(0, 0.02))
    scale = Scale(px_per_cm=px_per_cm, se_px_per_cm=0.02 * px_per_cm, sources=("reference",))
    return clip.swing(clip.true_track(noise_px=noise_px), scale=scale, camera=camera)


def true_path(clip: TrueClip) -> np.ndarray:
    """The clubhead from P5 to the ball, (point, 2) along and up, cm from below the ball."""
    from scipy.interpolate import CubicSpline

    times = np.asarray(clip.json["timestamps"])
    head = 100 * np.asarray(clip.json["joints3d"]["clubhead"])
    ball = 100 * np.asarray(clip.json["joints3d"]["ball"][0])
    start, stop = clip.json["events"]["P5"], clip.json["impact_time"]
    fine = np.linspace(start, stop, FINE * max(2, int((stop - start) * clip.json["fps"])))
    place = CubicSpline(times, head)(fine)
    return np.stack([place[:, 0] - ball[0], place[:, 2]], axis=1)


def true_clearance(path: np.ndarray, obstacle: Obstacle, head_cm: float) -> float:
    """By brute force: the least distance to points along the obstacle's outline, less the head."""
    if obstacle.shape is Shape.ROUND:
        turn = np.linspace(0, 2 * np.pi, 240)
        half = obstacle.height_cm / 2
        middle = np.array([-obstacle.distance_cm - half, half])
        outline = middle + half * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        inside = np.hypot(*(path - middle).T) < half
    else:
        right, deep, tall = -obstacle.distance_cm, obstacle.deep_cm, obstacle.height_cm
        share = np.linspace(0, 1, 60)
        corners = [(right, 0), (right, tall), (right - deep, tall), (right - deep, 0), (right, 0)]
        outline = np.concatenate(
            [np.outer(1 - share, a) + np.outer(share, b) for a, b in pairwise(corners)]
        )
        inside = (
            (path[:, 0] < right)
            & (path[:, 0] > right - deep)
            & (path[:, 1] > 0)
            & (path[:, 1] < tall)
        )
    apart = np.hypot(
        path[:, None, 0] - outline[None, :, 0], path[:, None, 1] - outline[None, :, 1]
    ).min(axis=1)
    return float(np.where(inside, -apart, apart).min()) - head_cm


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=Path, default=Path("../shared/clips"))
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "planner")
    parser.add_argument("--tracks", choices=("real", "truth"), default="real")
    parser.add_argument("--reuse", action="store_true", help="findings of earlier code will do")
    parser.add_argument("names", nargs="*", help="only clips whose path holds one of these")
    options = parser.parse_args()
    real = options.tracks == "real"
    names = ("clip", "cases", "settled", "right", "all right", "in 95 %", "bias", "RMS", "se, cm")
    print("| " + " | ".join(names) + " |")
    print("| --- " * 9 + "|")
    every = []
    for clip in find_clips(options.clips):
        if clip.view is not View.FACE_ON:
            continue
        if options.names and not any(name in clip.name for name in options.names):
            continue
        try:
            swing = (
                product_swing(clip, options.cache, reuse=options.reuse)
                if real
                else noisy_swing(clip)
            )
            club_cm = 100 * clip.json["club_len"]
            path = club_path(swing, swing_id=clip.name, club_length_cm=club_cm)
        except LessonmarkError as why:
            print(f"| {clip.name} | refused: {why.what} | | | | | | | |", flush=True)
            continue
        truth = true_path(clip)
        rows = []
        for shape in Shape:
            for distance in DISTANCES_CM:
                for height in HEIGHTS_CM:
                    obstacle = Obstacle(distance_cm=distance, height_cm=height, shape=shape)
                    got = swing_clearance(path, obstacle)
                    true = true_clearance(truth, obstacle, head_radius_cm(club_cm))
                    rows.append((got.clearance_cm, got.se_cm, true, got.is_outside_error))
        print(_line(clip.name, np.array(rows)), flush=True)
        every += rows
    print(_line("all", np.array(every)))


def _line(name: str, rows: np.ndarray) -> str:
    got, se, true, settled = rows.T
    settled = settled > 0
    right = (got > 0) == (true > 0)
    error = got - true
    near = np.abs(true) < 15  # far away nobody asks
    return (
        f"| {name} | {len(rows)} | {settled.sum()} | {100 * right[settled].mean():.1f} % "
        f"| {100 * right.mean():.1f} % | {100 * (np.abs(error) < 1.96 * se)[near].mean():.0f} % "
        f"| {error[near].mean():+.2f} | {np.sqrt((error[near] ** 2).mean()):.2f} "
        f"| {np.median(se[near]):.2f} |"
    )


if __name__ == "__main__":
    main()
