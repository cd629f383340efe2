"""Compare found positions with the true ones, clip by clip.

    python bench/positions.py CLIPS [CLIPS ...] [--tracks truth|real]

CLIPS is a folder of clips with a truth file (`.json`) beside each. `--tracks truth` builds the
tracks from the true points with errors like a tracker's; `--tracks real` tracks the clips.
"""

from __future__ import annotations

import argparse
import json
import zlib
from collections import defaultdict
from pathlib import Path

import numpy as np
import xarray as xr

from lessonmark.media.strike import Strike
from lessonmark.positions.find import find_positions
from lessonmark.positions.swings import find_swings
from lessonmark.tracks.dataset import read_track
from lessonmark.tracks.sides import by_lead_trail
from lessonmark.words import Handedness, Position, View

SIDED = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "ear")
BODY_SE_PX_OF_1280 = 3.0
SHAFT_SE_RAD = np.radians(1.5)
ERRORS_LAST_S = 0.02


def alike_noise(rng, n, step_s, lasts_s=ERRORS_LAST_S):
    """Unit noise whose neighbours are alike (first-order autoregression)."""
    rho = np.exp(-step_s / lasts_s)
    white = rng.standard_normal(n) * np.sqrt(1 - rho**2)
    white[0] = rng.standard_normal()
    out = np.empty(n)
    out[0] = white[0]
    for i in range(1, n):
        out[i] = rho * out[i - 1] + white[i]
    return out


def track_from_truth(truth, *, club=True, seed=0, noise_x=1.0):
    """Build a track as a tracker might, from the true points of a clip."""
    rng = np.random.default_rng(seed)
    t = np.array(truth["timestamps"])
    step = float(np.median(np.diff(t)))
    points = {name: np.array(xy, dtype=float) for name, xy in truth["joints2d"].items()}
    se = (
        BODY_SE_PX_OF_1280
        * max(truth["camera"]["height_px"], truth["camera"]["width"])
        / 1280
        * noise_x
    )
    names, xy, sigma = [], [], []

    def add(name, at, se_px):
        noise = np.stack([alike_noise(rng, len(t), step) for _ in range(2)], axis=1) * se_px
        names.append(name)
        xy.append(at + noise)
        sigma.append(np.full(len(t), se_px))
        return xy[-1]

    for part in SIDED:
        for side in ("lead", "trail"):
            add(f"{side}_{part}", points[f"{part}_{side}"], se)
    variables = {}
    if club:
        add("grip_butt", points["grip_butt"], se / 2)
        grip = add("grip_mid", points["grip_mid"], se / 2)
        true_shaft = points["clubhead"] - points["grip_mid"]
        length = np.hypot(*true_shaft.T)
        angle = np.unwrap(np.arctan2(-true_shaft[:, 1], true_shaft[:, 0]))
        # A foreshortened shaft is a short line: its angle is the worse known.
        se_angle = (
            noise_x
            * SHAFT_SE_RAD
            * np.clip(np.percentile(length, 95) / np.maximum(length, 1), 1, 10)
        )
        angle = angle + alike_noise(rng, len(t), step) * se_angle
        head = grip + length[:, None] * np.stack([np.cos(angle), -np.sin(angle)], axis=1)
        names.append("clubhead")
        xy.append(head)
        sigma.append(np.hypot(se / 2, se_angle * length))
        variables = {
            "shaft_angle": ("time", angle),
            "shaft_angle_se": ("time", se_angle),
            "shaft_rate": ("time", np.gradient(angle, t)),
            "shaft_seen": ("time", np.ones(len(t))),
        }
    position = np.stack(xy, axis=2)
    cov = np.zeros((len(t), 2, 2, len(names)))
    cov[:, 0, 0], cov[:, 1, 1] = np.stack(sigma, axis=1) ** 2, np.stack(sigma, axis=1) ** 2
    return xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), position),
            "position_cov": (("time", "space", "space_other", "keypoint"), cov),
            **variables,
        },
        coords={
            "time": t,
            "space": ["x", "y"],
            "space_other": ["x", "y"],
            "keypoint": names,
        },
    )


def with_true_club(body, truth, *, seed, noise_x):
    """A real body with a club built from the truth, until the club tracker is there."""
    made = track_from_truth(truth, club=True, seed=seed, noise_x=noise_x)
    club = made.sel(keypoint=["grip_butt", "grip_mid", "clubhead"])
    n = min(body.sizes["time"], club.sizes["time"])
    body, club = body.isel(time=slice(0, n)), club.isel(time=slice(0, n))
    club = club.assign_coords(time=body.time)
    keep = ["position", "position_cov"]
    joined = xr.concat([body[keep], club[keep]], dim="keypoint")
    for name in ("shaft_angle", "shaft_angle_se"):
        joined[name] = club[name]
    return joined


def positions_from_truth(truth, *, sound, club=True, seed=0, noise_x=1.0, body=None):
    """Find a clip's positions on a track built from its truth."""
    track = track_from_truth(truth, club=club, seed=seed, noise_x=noise_x)
    if body is not None:
        track = with_true_club(body, truth, seed=seed, noise_x=noise_x) if club else body
    spans = find_swings(track)
    if len(spans) != 1:
        return None, spans
    rng = np.random.default_rng(seed + 1)
    heard = [
        Strike(
            s=truth["impact_time"] + 0.0007 * rng.standard_normal(),
            se_s=0.0007,
            strength_db=20.0,
            level_db=-20.0,
        )
    ]
    return (
        find_positions(
            track,
            spans[0],
            view=View(truth["camera"]["view"]),
            sign_target=1 if truth["camera"].get("sign_u", 1) > 0 else -1,
            strikes=heard if sound else [],
            roll_deg=truth["camera"]["roll"] if abs(truth["camera"]["roll"]) > 2 else 0.0,
        ),
        spans,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("clips", nargs="+", type=Path)
    parser.add_argument("--no-sound", action="store_true")
    parser.add_argument("--noise", type=float, default=1.0)
    parser.add_argument("--bodies", type=Path)
    parser.add_argument("--no-club", action="store_true")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    rows = defaultdict(list)
    for folder in args.clips:
        for path in sorted(folder.rglob("*.json")):
            truth = json.loads(path.read_text())
            if "events" not in truth:
                continue
            name = str(path.relative_to(folder).with_suffix(""))
            body = None
            if args.bodies:
                kept = args.bodies / (name.replace("lesson-a/", "").replace("/", "__") + ".nc")
                if not kept.exists():
                    continue
                track = read_track(kept)
                body = by_lead_trail(track, Handedness(track.attrs["handedness"]))
            got, spans = positions_from_truth(
                truth,
                sound=not args.no_sound,
                club=not args.no_club,
                noise_x=args.noise,
                body=body,
                seed=zlib.crc32(name.encode()),
            )
            if got is None:
                print(f"{name}: {len(spans)} swings found")
                continue
            line = [f"{name:32s}"]
            for p in Position:
                if p not in got:
                    line.append(f"{p}: --")
                    continue
                error = got[p].time.s - truth["events"][p.value]
                rows[truth["camera"]["view"], p].append((error, got[p].time.se, truth["fps"]))
                line.append(f"{p} {error * 1e3:+.1f}({got[p].time.se * 1e3:.1f})")
            if args.verbose:
                print(" ".join(line), {p.value: why for p, why in got.missing.items()})
    for view in View:
        print(f"\n{view.value}: n, bias ms, rms ms, within a frame, within 1 se, 2 se")
        for p in Position:
            got = np.array(rows[view.value, p])
            if len(got):
                e, se, fps = got.T
                print(
                    f"{p} {len(e):3d} {e.mean() * 1e3:+7.2f} {np.sqrt((e**2).mean()) * 1e3:7.2f}"
                    f"  {np.mean(np.abs(e) * fps <= 1):5.2f} {np.mean(np.abs(e) <= se):5.2f}"
                    f" {np.mean(np.abs(e) <= 2 * se):5.2f}  mean se {se.mean() * 1e3:.1f}"
                )


if __name__ == "__main__":
    main()
