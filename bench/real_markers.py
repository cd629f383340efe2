"""Joints' centres of a real person by the markers on his skin, against every sight of them.

    python bench/real_markers.py FOLDER [--refiner FILE.onnx] [--level]

Footage as `real_cameras.py`. The man carries small balls of a motion capture, whose measured places
do not come with the footage; but they can be seen. They were clicked by eye in frame 2 of the
upright pictures and are followed from there by optical flow (Lucas & Kanade 1981, OpenCV's) while
the cameras that see one agree on it. Their places say where the joints are:

    elbow, wrist, ankle  middle of the balls on both sides
    knee     one ball and half of KNEE_CM across
    shoulder the ball on the shoulder's top, and 0.17 of the distance of both down (Rab et al. 2002,
             doi 10.1016/S0966-6362(01)00202-0, from memory)
    hip      from the balls on the front of the pelvis (Harrington et al. 2007,
             doi 10.1016/j.jbiomech.2006.02.003, one-variable fits, from memory), the pelvis's depth
             taken for PELVIS_DEPTH_CM

Good to one or two cm, the hips to two or three.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibrated import Camera, project, triangulate
from real_cameras import in_space, rms
from real_footage import JOINTS, SIGHTS, Filmed, film, of, places_of, torso_px

Array = NDArray[np.float64]
Image = NDArray[np.uint8]
Points = NDArray[np.float32]

CLICKED = 2  # frame
LAST = 40  # frame: until then every camera keeps the body
AGREE_PX = 4.0
BACK_PX = 1.0  # flow there and back again
WINDOW = (15, 15)
KNEE_CM = 11.0
PELVIS_DEPTH_CM = 15.0
# px of the upright pictures by camera; None: not in sight there.
CLICKS: dict[str, tuple[tuple[float, float] | None, ...]] = {
    "left_acromion": (None, (669, 503), (629, 607), (342, 555)),
    "right_acromion": (None, (532, 514), (765, 597), (516, 595)),
    "left_elbow_outer": (None, None, (581, 810), (256, 730)),
    "left_elbow_inner": (None, None, (613, 819), (285, 752)),
    "left_wrist_inner": ((526, 736), (748, 742), None, None),
    "left_wrist_outer": (None, (764, 740), (539, 957), (240, 855)),
    "right_wrist_inner": ((251, 787), (456, 722), None, None),
    "right_wrist_outer": ((220, 795), None, None, (651, 915)),
    "left_pelvis": ((456, 740), (650, 727), None, None),
    "right_pelvis": ((352, 759), (553, 720), None, None),
    "left_knee_inner": ((440, 959), (583, 907), None, None),
    "right_knee_outer": ((349, 959), None, None, (473, 1131)),
    "left_ankle_inner": ((456, 1133), (569, 1064), None, (521, 1210)),
    "left_ankle_outer": (None, (602, 1074), (561, 1219), None),
    "right_ankle_outer": ((351, 1061), None, (741, 1303), (372, 1340)),
    "right_ankle_inner": ((386, 1063), (637, 1017), (696, 1300), None),
}


def follow(filmed: list[Filmed]) -> dict[str, Array]:
    """Every ball's place (frame, 3) cm; NaN where it was lost."""
    paths = np.full((LAST, len(CLICKS), len(filmed), 2), np.nan)
    for c, f in enumerate(filmed):
        grey = [
            np.asarray(cv2.cvtColor(frame.image, cv2.COLOR_RGB2GRAY), np.uint8)
            for frame, _ in zip(f.frames(0.0, f.clip.duration_s), range(LAST), strict=False)
        ]
        rows = [(k, at[c]) for k, at in enumerate(CLICKS.values()) if at[c] is not None]
        start = np.array([at for _, at in rows], np.float32)[:, None]
        which = [k for k, _ in rows]
        paths[CLICKED, which, c] = start[:, 0]
        for step in (-1, 1):
            now, alive = start, np.ones(len(rows), bool)
            i = CLICKED
            while 0 <= i + step < LAST:
                then, got = _flow(grey[i], grey[i + step], now)
                back, _ = _flow(grey[i + step], grey[i], then)
                home = np.linalg.norm((back - now)[:, 0], axis=-1) < BACK_PX
                alive &= (got[:, 0] > 0) & home
                i += step
                now = then
                for row, k in enumerate(which):
                    if alive[row]:
                        paths[i, k, c] = then[row, 0]
    cameras = [f.camera for f in filmed]
    places = {}
    for k, name in enumerate(CLICKS):
        seen = paths[:, k]
        believed = np.isfinite(seen).all(-1)
        whole = believed.sum(1) >= 2
        place = np.full((LAST, 3), np.nan)
        place[whole], off = _meet(cameras, seen[whole], believed[whole])
        place[np.flatnonzero(whole)[off > AGREE_PX]] = np.nan
        places[name] = place
    return places


def _flow(one: Image, other: Image, points: Points) -> tuple[Points, NDArray[np.uint8]]:
    found, got, _ = cv2.calcOpticalFlowPyrLK(
        one, other, points, points.copy(), winSize=WINDOW, maxLevel=3
    )
    return np.asarray(found, np.float32), np.asarray(got, np.uint8)


def _meet(cameras: list[Camera], seen: Array, believed: NDArray[np.bool_]) -> tuple[Array, Array]:
    filled = np.nan_to_num(seen)
    points, _ = triangulate(cameras, filled, believed, robust_px=np.inf)
    off = np.linalg.norm(filled - project(cameras, points), axis=-1)
    return points, np.where(believed, off, 0.0).max(1)


def joint_centres(balls: dict[str, Array]) -> dict[str, Array]:
    """(frame, 3) cm by joint; NaN where a ball is lost."""

    def unit(v: Array) -> Array:
        return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True))

    centres: dict[str, Array] = {}
    for joint in ("left_elbow", "left_wrist", "right_wrist", "left_ankle", "right_ankle"):
        centres[joint] = (balls[f"{joint}_inner"] + balls[f"{joint}_outer"]) / 2
    across = balls["left_pelvis"] - balls["right_pelvis"]
    width = np.linalg.norm(across, axis=-1, keepdims=True)
    left = unit(across)
    ahead = unit(np.cross(left, np.array([0.0, 0.0, 1.0])))
    up = np.cross(ahead, left)
    middle = (balls["left_pelvis"] + balls["right_pelvis"]) / 2
    # In mm: back 0.24 depth + 9.9, down 0.30 width + 10.9, out 0.33 width + 7.3.
    back, down, out = 0.24 * PELVIS_DEPTH_CM + 0.99, 0.30 * width + 1.09, 0.33 * width + 0.73
    for side, sign in (("left", 1.0), ("right", -1.0)):
        centres[f"{side}_hip"] = middle - back * ahead - down * up + sign * out * left
    centres["left_knee"] = balls["left_knee_inner"] + KNEE_CM / 2 * left
    centres["right_knee"] = balls["right_knee_outer"] + KNEE_CM / 2 * left
    tops = balls["left_acromion"] - balls["right_acromion"]
    apart = np.linalg.norm(tops, axis=-1, keepdims=True)
    trunk = unit((balls["left_acromion"] + balls["right_acromion"]) / 2 - middle)
    for side in ("left", "right"):
        centres[f"{side}_shoulder"] = balls[f"{side}_acromion"] - 0.17 * apart * trunk
    return {joint: centres[joint] for joint in JOINTS if joint in centres}


def main() -> None:
    """Follow the balls, and hold every sight against the joints that they show."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--refiner", type=Path, help="another joint refiner, ONNX")
    parser.add_argument("--level", action="store_true", help="sights as level cameras would film")
    options = parser.parse_args()
    filmed = film(options.folder, options.refiner, level=False)
    balls = follow(filmed)
    if options.level:
        filmed = film(options.folder, options.refiner, level=True)
    for name, place in balls.items():
        print(f"{name}: {np.isfinite(place).all(-1).sum()} of {LAST} frames")
    centres = joint_centres(balls)
    report(filmed, centres)
    widths(centres, {sight: in_space(filmed, sight).points[:LAST] for sight in SIGHTS})


def report(filmed: list[Filmed], centres: dict[str, Array]) -> None:
    """Off in each picture, torso lengths, and off in space where all cameras are put together."""
    points = {sight: in_space(filmed, sight).points[:LAST] for sight in SIGHTS}
    print("\n| joint | frames | " + " | ".join(f"{s}, picture" for s in SIGHTS) + " | ", end="")
    print(" | ".join(f"{s}, space, cm" for s in SIGHTS) + " |")
    print("| --- | ---: |" + " ---: |" * (2 * len(SIGHTS)))
    for joint, true in centres.items():
        j, known = JOINTS.index(joint), np.isfinite(true).all(-1)
        if not known.any():
            continue

        far = [np.linalg.norm(points[s][known, j] - true[known], axis=-1) for s in SIGHTS]
        cells = [f"{in_pictures(filmed, s, joint, true):.3f}" for s in SIGHTS] + [
            f"{rms(one):.1f}" for one in far
        ]
        print(f"| {joint} | {known.sum()} | " + " | ".join(cells) + " |")


def in_pictures(filmed: list[Filmed], sight: str, joint: str, true: Array) -> float:
    """RMS over cameras and frames, torso lengths."""
    known = np.isfinite(true).all(-1)
    off = []
    for f in filmed:
        torso = float(np.median(torso_px(places_of(f.tracks["moved"]))))
        seen = places_of(f.tracks[sight])[:LAST][known, JOINTS.index(joint)]
        drawn = project([f.camera], true[known])[:, 0]
        off.append(np.linalg.norm(seen - drawn, axis=-1)[f.kept[:LAST][known]] / torso)
    return rms(np.concatenate(off))


def widths(centres: dict[str, Array], points: dict[str, Array]) -> None:
    """How far apart the two sides are, cm, mean."""
    for part in ("shoulder", "hip"):
        true = np.linalg.norm(centres[f"left_{part}"] - centres[f"right_{part}"], axis=-1)
        known = np.isfinite(true)
        said = []
        for sight, place in points.items():
            left, right = (place[known, j] for j in of(part))
            said.append(f"{sight} {np.linalg.norm(left - right, axis=-1).mean():.1f}")
        print(f"{part}s apart, cm: balls {true[known].mean():.1f}; " + ", ".join(said))


if __name__ == "__main__":
    main()
