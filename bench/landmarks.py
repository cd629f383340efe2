"""How far tracked joints lie from the true ones: as the network sees them, and as joint centres.

    python bench/landmarks.py CLIPS --cache FOLDER [--only PART ...]

CLIPS is a folder of rendered swings with their truth as JSON beside each clip. These clips played
no part in the correction's fit (bench/render). Tracks are kept in the cache folder, so that a
second run is quick. Prints tables for README.md.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from lessonmark.media.frames import read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.tracks.anatomy import to_joint_centres
from lessonmark.tracks.body import BodyTracker
from lessonmark.tracks.dataset import body_dataset, read_track, write_track
from lessonmark.tracks.sides import by_lead_trail
from lessonmark.words import Handedness, View

Array = NDArray[np.float64]

JOINTS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "ear", "eye")
LINE_MIN = 0.3  # of the torso: shorter, a line across the body is seen too much end-on
POSITIONS = tuple(f"P{k}" for k in range(1, 11))


@dataclass(frozen=True, kw_only=True)
class Clip:
    """One clip: its three sets of joints by lead and trail name, each (time, 2) px."""

    name: str
    set_up: str  # who was filmed by which camera
    view: View
    toward: float  # image direction of the target, or of the ball from down the line
    events: dict[str, int]  # position to frame
    swing: NDArray[np.bool_]  # frames from P1 to P10
    torso: float  # px, median over the swing
    true: dict[str, Array]
    raw: dict[str, Array]
    centres: dict[str, Array]
    spread: dict[str, tuple[Array, Array]]  # joint to random and systematic sd, px


def read_clip(truth: Path, cache: Path, tracker: BodyTracker) -> Clip:
    said = json.loads(truth.read_text())
    handedness = Handedness.LEFT if said["left_handed"] else Handedness.RIGHT
    view = View(said["camera"]["view"])
    kept = cache / ("_".join(truth.with_suffix("").parts[-4:]) + ".nc")
    if kept.exists():
        track = read_track(kept)
    else:
        info = probe_clip(truth.with_suffix(".mp4"))
        raw = tracker.track(lambda: read_frames(info))
        track = body_dataset(raw, clip=info, view=view, handedness=handedness)
        write_track(track, kept)
    times = track["time"].values
    if len(times) != len(said["timestamps"]):
        raise SystemExit(
            f"{truth}: {len(times)} frames tracked, {len(said['timestamps'])} in the truth"
        )
    events = {p: int(np.argmin(np.abs(times - s))) for p, s in said["events"].items()}
    joints = {k: np.array(v) for k, v in said["joints2d"].items()}
    true = {f"{role}_{j}": joints[f"{j}_{role}"] for j in JOINTS for role in ("lead", "trail")}
    swing = (times >= said["events"]["P1"]) & (times <= said["events"]["P10"])
    torso = np.linalg.norm(joints["mid_shoulder"] - joints["mid_pelvis"], axis=1)[swing]
    moved = by_lead_trail(to_joint_centres(track, view), handedness)
    plain = by_lead_trail(track, handedness)
    return Clip(
        name="/".join(truth.parts[-3:-1]) + "/" + truth.stem,
        set_up=str([said["meta"]["golfer"], *(said["camera"].get(k) for k in ("yaw", "roll"))]),
        view=view,
        toward=float(said["camera"]["sign_u"]),
        events=events,
        swing=swing,
        torso=float(np.median(torso)),
        true=true,
        raw={n: _path(plain, n) for n in true},
        centres={n: _path(moved, n) for n in true},
        spread={
            n: (
                _sd(moved["position_cov"] - plain["position_cov"], n),
                _sd(moved["position_systematic"], n),
            )
            for n in true
        },
    )


def _path(track: xr.Dataset, name: str) -> Array:
    return track["position"].sel(keypoint=name).transpose("time", "space").values


def _sd(cov: xr.DataArray, name: str) -> Array:
    one = cov.sel(keypoint=name).transpose("time", "space", "space_other").values
    return np.sqrt(np.trace(one, axis1=1, axis2=2))


def measures(j: dict[str, Array], clip: Clip) -> dict[str, Array]:
    """Measures that need joints only, (time,); degrees, lengths in % of the torso."""
    square = np.array([clip.toward, -1.0])  # toward the target (or out to the ball), up

    def mid(part: str) -> Array:
        return (j[f"lead_{part}"] + j[f"trail_{part}"]) / 2 * square

    def flex(side: str, a: str, b: str, c: str) -> Array:
        one = j[f"{side}_{a}"] - j[f"{side}_{b}"]
        two = j[f"{side}_{c}"] - j[f"{side}_{b}"]
        cosine = (one * two).sum(1) / np.linalg.norm(one, axis=1) / np.linalg.norm(two, axis=1)
        return 180.0 - np.degrees(np.arccos(np.clip(cosine, -1, 1)))

    def tilt(part: str) -> Array:
        line = (j[f"lead_{part}"] - j[f"trail_{part}"]) * square
        return np.degrees(np.arctan2(line[:, 1], np.abs(line[:, 0])))

    trunk = mid("shoulder") - mid("hip")
    neck = mid("ear") - mid("shoulder")
    lean = np.degrees(np.arctan2(trunk[:, 0], trunk[:, 1]))
    neck_lean = np.degrees(np.arctan2(neck[:, 0], neck[:, 1]))
    hands = mid("wrist") - mid("shoulder")
    address = clip.events["P1"]
    shift = (mid("hip") - mid("hip")[address]) / clip.torso * 100
    arms = {
        "trail_elbow_flex": flex("trail", "shoulder", "elbow", "wrist"),
        "lead_elbow_flex": flex("lead", "shoulder", "elbow", "wrist"),
        "lead_knee_flex": flex("lead", "hip", "knee", "ankle"),
        "trail_knee_flex": flex("trail", "hip", "knee", "ankle"),
    }
    turn = (neck_lean - lean + 180) % 360 - 180
    if clip.view is View.DOWN_THE_LINE:
        return {
            "forward_bend": lean,
            "neck_flex": turn,
            "pelvis_out": shift[:, 0],
            "pelvis_rise": shift[:, 1],
        } | arms
    return {
        "shoulder_tilt": tilt("shoulder"),
        "pelvis_tilt": tilt("hip"),
        "trunk_lean": -lean,
        "side_bend": tilt("hip") - lean,
        "neck_flex": turn,
        "hand_radius": np.linalg.norm(hands, axis=1) / clip.torso * 100,
        "pelvis_shift": shift[:, 0],
        "pelvis_rise": shift[:, 1],
    } | arms


def _sound(measure: str, clip: Clip) -> NDArray[np.bool_]:
    """Frames in which the measure can be read at all: a line seen end-on has no tilt."""
    line = {"shoulder_tilt": "shoulder", "pelvis_tilt": "hip", "side_bend": "hip"}.get(measure)
    if line is None:
        return np.ones(len(clip.swing), bool)
    length = np.abs((clip.true[f"lead_{line}"] - clip.true[f"trail_{line}"])[:, 0])
    return np.asarray(length > LINE_MIN * clip.torso)


def _rms(values: list[float] | Array) -> float:
    return float(np.sqrt(np.nanmean(np.square(values))))


def joint_table(clips: list[Clip]) -> None:
    print(
        "\n| view | joint | network | joint centre | said: random | said: shared | clips better |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for view in View:
        of_view = [c for c in clips if c.view is view]
        for name in of_view[0].true if of_view else ():
            before, after, random, shared = [], [], [], []
            for c in of_view:
                before.append(
                    _rms(np.linalg.norm(c.raw[name] - c.true[name], axis=1)[c.swing] / c.torso)
                )
                after.append(
                    _rms(np.linalg.norm(c.centres[name] - c.true[name], axis=1)[c.swing] / c.torso)
                )
                random.append(_rms(c.spread[name][0][c.swing] / c.torso))
                shared.append(_rms(c.spread[name][1][c.swing] / c.torso))
            better = sum(a < b for a, b in zip(after, before, strict=True))
            print(
                f"| {view} | {name} | {_rms(before):.3f} | {_rms(after):.3f} | {_rms(random):.3f} "
                f"| {_rms(shared):.3f} | {better} of {len(of_view)} |"
            )


def measure_table(clips: list[Clip]) -> None:
    """At P1 to P10: the error, and that of the change from one clip to another of a player."""
    print("\n| view | measure | network: mean, rms | joint centre: mean, rms | change: both rms |")
    print("| --- | --- | --- | --- | --- |")
    for view in View:
        of_view = [c for c in clips if c.view is view]
        errors: dict[str, dict[str, list[Array]]] = defaultdict(lambda: defaultdict(list))
        by_set_up: dict[str, list[dict[str, dict[str, Array]]]] = defaultdict(list)
        for c in of_view:
            at = [c.events[p] for p in POSITIONS]
            true = measures(c.true, c)
            one: dict[str, dict[str, Array]] = {}
            for kind, joints in (("raw", c.raw), ("centres", c.centres)):
                found = measures(joints, c)
                one[kind] = {
                    n: np.where(_sound(n, c), found[n] - true[n], np.nan)[at] for n in true
                }
                for n, error in one[kind].items():
                    errors[n][kind].append(error)
            by_set_up[c.set_up].append(one)
        changes: dict[str, dict[str, list[Array]]] = defaultdict(lambda: defaultdict(list))
        for ones in by_set_up.values():
            for other in ones[1:]:
                for kind in ("raw", "centres"):
                    for n in other[kind]:
                        changes[n][kind].append(other[kind][n] - ones[0][kind][n])
        for n, kinds in errors.items():
            raw, centres = np.concatenate(kinds["raw"]), np.concatenate(kinds["centres"])
            change = ""
            if n in changes:
                change = ", ".join(
                    f"{_rms(np.concatenate(changes[n][kind])):.1f}" for kind in ("raw", "centres")
                )
            print(
                f"| {view} | {n} | {np.nanmean(raw):+.1f}, {_rms(raw):.1f} "
                f"| {np.nanmean(centres):+.1f}, {_rms(centres):.1f} | {change} |"
            )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("clips", type=Path)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--only", nargs="*", default=[""], help="parts of the clips' paths")
    args = parser.parse_args()
    args.cache.mkdir(parents=True, exist_ok=True)
    tracker = BodyTracker()
    files = [f for f in sorted(args.clips.rglob("*.json")) if any(p in str(f) for p in args.only)]
    files = [f for f in files if f.with_suffix(".mp4").exists()]
    clips = [read_clip(f, args.cache, tracker) for f in files]
    print(f"{len(clips)} clips: " + ", ".join(c.name for c in clips))
    joint_table(clips)
    measure_table(clips)
