"""A real person seen by four calibrated cameras: do the sights of a joint agree in space?

    python bench/real_cameras.py FOLDER [--refiner FILE.onnx] [--level]

FOLDER keeps the footage (`real_footage.py`, fetched where it is not there) and the tracks, so that
a second run is quick. One person, four synchronised cameras with their calibration, 100 frames at
60 a second; no golf, no marker positions.

What agrees between cameras need not be right: a landmark that lies off the joint by the same way in
space from every side is as consistent as the joint. What does not agree is wrong.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibrated import check_geometry, project, slopes, spread, triangulate
from lessonmark.words import View
from real_footage import JOINTS, PARTS, SIDES, SIGHTS, Filmed, film, of, places_of, torso_px

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

BONES = {
    "upper arm": ("shoulder", "elbow"),
    "forearm": ("elbow", "wrist"),
    "thigh": ("hip", "knee"),
    "shank": ("knee", "ankle"),
}
WIDTHS = ("shoulder", "hip")
# Share of stature, Drillis & Contini (Winter 2009, fig. 4.1).
PUBLISHED = {"upper arm": 0.186, "forearm": 0.146, "thigh": 0.245, "shank": 0.246}
FAST = ("elbow", "wrist", "knee", "ankle")
ASTRAY_PX = 80.0  # farther off is another limb, which says nothing of the clock
IN_95 = 5.991  # chi square of two coordinates


@dataclass(frozen=True, kw_only=True, eq=False)
class Space:
    """One sight's joints in space, from all cameras and from all but one."""

    points: Array  # (time, joint, 3) cm
    others: Array  # (camera left out, time, joint, 3) cm
    left: Array  # (camera, time, joint, 2) px: seen less what the others say
    expected: Array  # (camera, time, joint, 2, 2) px^2, by the stated errors of all of them


def in_space(filmed: list[Filmed], sight: str) -> Space:
    """Triangulate, and hold every camera against the others."""
    cameras = [f.camera for f in filmed]
    places = np.stack([places_of(f.tracks[sight]) for f in filmed], axis=2)
    covs = np.stack([f.covs(sight) for f in filmed], axis=2)
    time, joint, count = places.shape[:3]
    flat, flat_cov = places.reshape(-1, count, 2), covs.reshape(-1, count, 2, 2)
    believed = np.repeat(np.stack([f.kept for f in filmed], axis=1), joint, axis=0)
    points, _ = triangulate(cameras, flat, believed)
    others, left, expected = [], [], []
    for c, camera in enumerate(cameras):
        use = believed.copy()
        use[:, c] = False
        found, weight = triangulate(cameras, flat, use)
        cov = spread(cameras, found, weight, flat_cov)
        slope = slopes([camera], found)[:, 0]
        others.append(found.reshape(time, joint, 3))
        left.append((flat[:, c] - project([camera], found)[:, 0]).reshape(time, joint, 2))
        whole = flat_cov[:, c] + slope @ cov @ slope.transpose(0, 2, 1)
        expected.append(whole.reshape(time, joint, 2, 2))
    return Space(
        points=points.reshape(time, joint, 3),
        others=np.stack(others),
        left=np.stack(left),
        expected=np.stack(expected),
    )


def footage_lines(filmed: list[Filmed]) -> None:
    """Who lost the body, and whether the clocks go together."""
    for f in filmed:
        lost = np.flatnonzero(~f.kept)
        frames = "" if not len(lost) else f" (frames {lost[0]} to {lost[-1]}, left out below)"
        print(
            f"{f.camera.name}: {f.view}, looks {-f.camera.pitch_deg:.0f} deg down, body lost in "
            f"{len(lost)} of {len(f.kept)} frames{frames}"
        )
    space = in_space(filmed, "network")
    joints = [j for part in FAST for j in of(part)]
    for c, f in enumerate(filmed):
        left = space.left[c][:, joints]
        rate = np.gradient(places_of(f.tracks["network"])[:, joints] - left, axis=0)
        left, rate = (one[f.kept] - one[f.kept].mean(0) for one in (left, rate))
        use = np.linalg.norm(left, axis=-1) < ASTRAY_PX
        late = -(left[use] * rate[use]).sum() / (rate[use] ** 2).sum()
        print(f"{f.camera.name} shows the limbs {late:+.1f} frames late against the others")


def consistency_table(filmed: list[Filmed], spaces: dict[str, Space]) -> None:
    """Every camera against the others, by joint and by who looks from where."""
    # One yardstick for all sights: the moved landmarks' torso.
    torso = [np.median(torso_px(places_of(f.tracks["moved"]))) for f in filmed]
    print("\nEach camera against the point that the others put there, both sides together:")
    print("median, RMS in torso lengths of its picture (RMS in cm); inside the stated 95 % (z)\n")
    head = [*spaces, *(f"{s}: inside (z)" for s in spaces)]
    print("| seen from | joint | " + " | ".join(head) + " |")
    print("| --- | --- |" + " --- |" * len(head))
    for view in View:
        which = [c for c, f in enumerate(filmed) if f.view is view]
        seen_from = "the front" if view is View.FACE_ON else "behind"
        for part in PARTS:
            sizes, inside = [], []
            for space in spaces.values():
                far, cm, z2 = [], [], []
                for c in which:
                    left = space.left[c][filmed[c].kept][:, of(part)]
                    long = np.linalg.norm(left, axis=-1)
                    far.append(long.ravel() / torso[c])
                    cm.append((long / filmed[c].px_per_cm[filmed[c].kept, None]).ravel())
                    cov = space.expected[c][filmed[c].kept][:, of(part)]
                    solved = np.linalg.solve(cov, left[..., None])[..., 0]
                    z2.append((left * solved).sum(-1).ravel())
                off, said = np.concatenate(far), np.concatenate(z2)
                sizes.append(
                    f"{np.median(off):.3f}, {rms(off):.3f} ({rms(np.concatenate(cm)):.1f})"
                )
                inside.append(
                    f"{100 * np.mean(said < IN_95):.0f} % ({rms(said**0.5) / 2**0.5:.1f})"
                )
            print(f"| {seen_from} | {part}s | " + " | ".join(sizes + inside) + " |")


def rms(values: Array) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def bone_table(spaces: dict[str, Space]) -> None:
    """Lengths in space: how they scatter over frames, over cameras, and from side to side."""
    print("\nLength, cm / scatter over frames, % / spread over which camera is left out, %\n")
    print("| bone | " + " | ".join(spaces) + " |")
    print("| --- |" + " --- |" * len(spaces))
    lengths: dict[tuple[str, str], float] = {}
    rows = [
        (f"{side} {bone}", JOINTS.index(f"{side}_{a}"), JOINTS.index(f"{side}_{b}"))
        for bone, (a, b) in BONES.items()
        for side in SIDES
    ]
    for part in WIDTHS:
        left, right = of(part)
        rows.append((f"{part}s apart", left, right))
    for name, a, b in rows:
        cells = []
        for sight, space in spaces.items():
            long = np.linalg.norm(space.points[:, a] - space.points[:, b], axis=-1)
            theirs = np.linalg.norm(space.others[:, :, a] - space.others[:, :, b], axis=-1)
            by_camera = theirs.mean(1)
            lengths[sight, name] = float(long.mean())
            cells.append(
                f"{long.mean():.1f} / {100 * long.std() / long.mean():.1f} / "
                f"{100 * by_camera.std() / by_camera.mean():.1f}"
            )
        print(f"| {name} | " + " | ".join(cells) + " |")
    legs = PUBLISHED["thigh"] + PUBLISHED["shank"]
    said = ", ".join(f"{bone} {share:.3f}" for bone, share in PUBLISHED.items())
    print(
        f"\nleft less right, cm; and share of the stature that thigh and shank speak for ({said}):"
    )
    for sight in spaces:
        apart = ", ".join(
            f"{bone} {lengths[sight, f'left {bone}'] - lengths[sight, f'right {bone}']:+.1f}"
            for bone in BONES
        )
        mean = {
            bone: float(np.mean([lengths[sight, f"{side} {bone}"] for side in SIDES]))
            for bone in BONES
        }
        stature = (mean["thigh"] + mean["shank"]) / legs
        shares = [f"{bone} {mean[bone] / stature:.3f}" for bone in BONES]
        shares += [f"{p}s apart {lengths[sight, f'{p}s apart'] / stature:.3f}" for p in WIDTHS]
        print(f"- {sight}: {apart}; {stature:.0f} cm, " + ", ".join(shares))


def main() -> None:
    """Track, triangulate, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--refiner", type=Path, help="another joint refiner, ONNX")
    parser.add_argument("--level", action="store_true", help="as level cameras would film it")
    options = parser.parse_args()
    filmed = film(options.folder, options.refiner, level=options.level)
    worst = check_geometry([f.camera for f in filmed])
    print(f"geometry against OpenCV's: {worst:.1g} px or cm at most")
    footage_lines(filmed)
    spaces = {sight: in_space(filmed, sight) for sight in (*SIGHTS, "moved, other view")}
    consistency_table(filmed, spaces)
    bone_table(spaces)


if __name__ == "__main__":
    main()
