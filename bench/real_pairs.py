"""The two-camera fit on pairs of a real person's cameras, as if nobody had calibrated them.

    python bench/real_pairs.py FOLDER [--level]

Footage and tracks as `real_cameras.py`. The product is told the two clips, that the picture stands
upright and how far the camera looks down (as its check reads them off a horizon), and ten moments
in place of P1 to P10; not the lens, nor where the cameras stand. Truth is the same sight from all
four cameras by their calibration, so a landmark that is off alike from everywhere is not seen here.

What of the product cannot be used: it holds the feet to lie along the line of play at P1, which
somebody who walks does not, so that prior is taken out; no club, no ball, no scale.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from pathlib import Path

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.ndimage import binary_erosion

from calibrated import project
from lessonmark.errors import CannotMeasure
from lessonmark.measures import bundle
from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.facing import with_facing
from lessonmark.measures.figure import Figure
from lessonmark.measures.in_space import JOINTS as SOLID_JOINTS
from lessonmark.measures.registry import catalogue
from lessonmark.measures.seen import SwingSeen, usual_toward
from lessonmark.measures.two_view import reconstruct
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.tracks.anatomy import to_joint_centres
from lessonmark.tracks.sides import by_lead_trail
from lessonmark.words import Handedness, Position
from real_cameras import in_space
from real_footage import JOINTS, Filmed, film, of

Array = NDArray[np.float64]

# Front camera, camera down the line, and who would stand so: the second camera stands on the side
# of the player that is away from the target.
PAIRS = (("cam01", "cam04", Handedness.RIGHT), ("cam02", "cam03", Handedness.LEFT))
# `exact`: the network's points from all cameras, put back into both pictures: what the fit itself
# leaves where the landmarks are right.
SIGHTS = ("exact", "network, no depth", "network", "moved")
EXACT_PX = 1.5
SETS = 4  # of ten moments each
PITCH_SE_DEG = 2.0
MARGIN = 4  # frames
ANYWHERE_DEG = 1e4


def main() -> None:
    """Fit every pair and print it against all cameras."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--level", action="store_true")
    options = parser.parse_args()
    filmed = film(options.folder, None, level=options.level)
    bundle.FEET_ALONG_SE_DEG = ANYWHERE_DEG
    print("| pair | landmarks | measure | n | bias | RMS | RMS about the bias | inside | stated |")
    print("| --- | --- | --- | ---: | ---: | ---: | ---: | ---: | ---: |")
    for names in PAIRS:
        pair = [next(f for f in filmed if f.camera.name == name) for name in names[:2]]
        for sight in SIGHTS:
            compare(filmed, pair, names[2], sight)


def compare(filmed: list[Filmed], pair: list[Filmed], handedness: Handedness, sight: str) -> None:
    """One pair's row of every measure."""
    points = in_space(filmed, "moved" if sight == "moved" else "network").points
    both = pair[0].kept & pair[1].kept
    # The smoother carries what a lost camera says a few frames on.
    kept = np.flatnonzero(binary_erosion(both, iterations=MARGIN, border_value=1))
    ankles = points[kept][:, of("ankle"), 2]
    start = int(np.argmin(np.ptp(ankles[:12], axis=1)))  # both feet down
    if sight == "exact":
        tracks = [_exact(f, handedness, points) for f in pair]
    else:
        tracks = [_track(f, handedness, sight) for f in pair]
    errors = defaultdict(list)
    lens = []
    for k in range(SETS):
        rest = np.linspace(start + 2 + k, len(kept) - SETS + k, 9).round().astype(int)
        moments = kept[np.concatenate([[start], rest])]
        swings = [
            _swing(f, track, handedness, moments) for f, track in zip(pair, tracks, strict=True)
        ]
        axes, apart = _axes(pair, points[moments[0]], handedness)
        try:
            found = reconstruct(swings[0], swings[1])
        except CannotMeasure as why:
            print(f"{pair[0].camera.name}, {pair[1].camera.name}, {sight}: {why}")
            continue
        lens.append(found.rms_px)
        for position, moment in zip(Position, moments, strict=True):
            true = _figure(points[moment], axes, handedness)
            for entry in catalogue():
                if entry.solid is None:
                    continue
                gap = entry.solid(found.figure(position)) - entry.solid(true)
                total = found.errors(position, entry.solid)[1]
                errors[entry.id].append(((gap + 180.0) % 360.0 - 180.0, total))
    for measure, rows in errors.items():
        gap, total = np.array(rows).T
        print(
            f"| {pair[0].camera.name}, {pair[1].camera.name}, {apart:.0f} deg apart | {sight} "
            f"| {measure} | {len(gap)} | {gap.mean():+.1f} | {np.sqrt((gap**2).mean()):.1f} "
            f"| {gap.std():.1f} | {100 * np.mean(np.abs(gap) < 1.96 * total):.0f} % "
            f"| {np.median(total):.1f} |"
        )
    print(f"left in the pictures: {np.mean(lens):.0f} px")


def _track(f: Filmed, handedness: Handedness, sight: str) -> xr.Dataset:
    network = f.tracks["network"].assign_attrs(handedness=str(handedness))
    if sight == "network, no depth":
        return by_lead_trail(network, handedness)
    body = network if sight == "network" else to_joint_centres(network, f.view)
    return by_lead_trail(with_facing(body, network, f.view, handedness), handedness)


def _exact(f: Filmed, handedness: Handedness, points: Array) -> xr.Dataset:
    track = f.tracks["moved"].sel(keypoint=list(JOINTS)).copy(deep=True)
    seen = project([f.camera], points.reshape(-1, 3))[:, 0].reshape(*points.shape[:2], 2)
    velocity = np.gradient(seen, track["time"].values, axis=0)
    dims = ("time", "keypoint", "space")
    track["position"] = xr.DataArray(seen + 0.5, dims=dims).transpose("time", "space", "keypoint")
    track["velocity"] = xr.DataArray(velocity, dims=dims).transpose("time", "space", "keypoint")
    track["visibility"][:] = 1.0
    for name in ("position_cov", "position_systematic"):
        spread = np.broadcast_to(EXACT_PX**2 / 2 * np.eye(2)[None, :, :, None], track[name].shape)
        track[name] = (track[name].dims, spread.copy())
    return by_lead_trail(track, handedness)


def _swing(
    f: Filmed, track: xr.Dataset, handedness: Handedness, moments: NDArray[np.int_]
) -> SwingSeen:
    seconds = track["time"].values[moments]
    found = {
        p: PositionTime(position=p, time=Time(s=float(s), se=0.005), how="given")
        for p, s in zip(Position, seconds, strict=True)
    }
    return SwingSeen(
        track=track,
        positions=SwingPositions(found=found),
        view=f.view,
        handedness=handedness,
        toward=usual_toward(handedness),
        width=f.camera.size[0],
        height=f.camera.size[1],
        fps=f.clip.fps_filmed,
        camera=CameraCheck(
            roll_deg=0.0,
            roll_se_deg=1.0,
            roll_from="the horizon",
            yaw_deg=None,
            yaw_se_deg=10.0,
            distance_cm=None,
            height_cm=None,
            moved_px=None,
            pitch_deg=f.camera.pitch_deg,
            pitch_se_deg=PITCH_SE_DEG,
        ),
    )


def _axes(pair: list[Filmed], joints: Array, handedness: Handedness) -> tuple[Array, float]:
    """Rows along, out, up of the line of play that both cameras are equally far off square to."""
    hips = joints[of("hip")].mean(0)
    front, side = (np.degrees(np.arctan2(*(f.camera.place - hips)[[1, 0]])) for f in pair)
    turn = 90.0 if handedness is Handedness.RIGHT else -90.0
    off = (side + turn - front + 180.0) % 360.0 - 180.0
    out = np.radians(front + off / 2)
    along = out + np.radians(turn)
    axes = np.array(
        [[np.cos(along), np.sin(along), 0.0], [np.cos(out), np.sin(out), 0.0], [0.0, 0.0, 1.0]]
    )
    return axes, abs((side - front + 180.0) % 360.0 - 180.0)


def _figure(joints: Array, axes: Array, handedness: Handedness) -> Figure:
    sides = {"lead": str(handedness.lead), "trail": str(handedness.trail)}
    return Figure(
        points={
            f"{role}_{joint}": axes @ joints[JOINTS.index(f"{side}_{joint}")]
            for role, side in sides.items()
            for joint in SOLID_JOINTS
        }
    )


if __name__ == "__main__":
    main()
