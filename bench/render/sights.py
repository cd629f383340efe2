"""Hold the two sights of a joint against the truth in stills: moved landmarks and the refiner.

    python bench/render/sights.py --truth A/truth_0000.npz B/... --looks A.npz B.npz \\
        --stills A B --out shown.npz

The files of `stills.py` and `observe.py`, as for `fit.py`; runs where torch and the product are.
Only bodies that the refiner was not trained on (every eighth of the bodies' file). Landmarks are
moved by a fit that has not seen the body. Prints per joint: what each sight errs by, what the
refiner says, how alike the two err, and who is right where they disagree. Writes the refiner's
depth errors as `facing.py --shown` reads them.
"""

from __future__ import annotations

import argparse
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
from facing import in_camera
from fit import LOST, VIEWS, _joined, _swap, left_over, read_stills
from numpy.typing import NDArray
from refine import HELD_OUT

from lessonmark.tracks.anatomy import CORRECTED, body_size
from lessonmark.tracks.refiner import REFINED, JointRefiner
from lessonmark.tracks.schema import BODY_KEYPOINTS

Array = NDArray[np.float64]

WIDE = np.array([540.0, 0.0])  # of the stills
FARTHEST = 0.3  # body sizes, beyond which an error is drawn in
DOUBTS = (1.0, 4.0, np.inf)  # squares of the disagreement over what both say
BODIES_A_FILE = 1000


def mirrored(points: Array, names: tuple[str, ...]) -> Array:
    return (points * [-1.0, 1.0] + WIDE)[_swap(names)]


def deeper(px: Array, m: Array, f_px: float, size_px: float, names: tuple[str, ...]) -> Array:
    """True depth behind the hips of `REFINED`, body sizes (joint,)."""
    camera = in_camera(px[None], m[None], np.array([f_px]))[0]
    hips = (camera[names.index("left_hip")] + camera[names.index("right_hip")]) / 2
    away = float(np.linalg.norm(hips))
    points = camera[[names.index(name) for name in REFINED]]
    return (points - hips) @ (hips / away) / (size_px * away / f_px)


def main(args: argparse.Namespace) -> None:
    stills, _ = read_stills(args.truth, args.looks)
    truth = _joined(
        args.truth, ("px", "m", "f_px", "body", "view", "pair", "mirrored", "seed", "phase")
    )
    looks = _joined(args.looks, ("position", "depth", "presence", "number"))
    folder = np.repeat(
        np.arange(len(args.stills)), [len(np.load(file)["number"]) for file in args.looks]
    )
    names = tuple(str(n) for n in np.load(args.truth[0])["joint_names"])
    true, place = truth["px"].astype(float), looks["position"].astype(float)
    m, depth = truth["m"].astype(float), looks["depth"].astype(float)
    for i in np.flatnonzero(truth["mirrored"]):
        true[i], place[i] = mirrored(true[i], names), mirrored(place[i], BODY_KEYPOINTS)
        m[i] = (m[i] * [-1.0, 1.0, 1.0])[_swap(names)]
        depth[i] = depth[i][_swap(BODY_KEYPOINTS)]
    size = body_size(place, depth)
    marks = [BODY_KEYPOINTS.index(name) for name in CORRECTED]
    centres = true[:, [names.index(name) for name in CORRECTED]]
    gap = np.linalg.norm(centres - place[:, marks], axis=2) / size[:, None]
    kept = (looks["presence"] > 0.5) & np.isfinite(size) & (np.median(gap, axis=1) < LOST)
    hips = [CORRECTED.index(f"{side}_hip") for side in ("left", "right")]
    order = [CORRECTED.index(name) for name in REFINED]
    refiner, shown = JointRefiner(), []
    for view in VIEWS:
        rows = np.flatnonzero(kept & (truth["view"] == view))
        left = left_over(stills[view], args.units, args.decay)
        found = []
        for row, off in zip(rows, left, strict=True):
            if truth["body"][row] % BODIES_A_FILE % HELD_OUT:
                continue
            file = args.stills[folder[row]] / f"{int(looks['number'][row]):05d}.jpg"
            picture = cv2.imread(str(file))[..., ::-1]
            picture = picture[:, ::-1] if truth["mirrored"][row] else picture
            look = refiner.look(
                np.ascontiguousarray(picture),
                middle=(centres[row] - off * size[row])[hips].mean(0),
                size_px=float(size[row]),
                mirrored=False,
            )
            seen = (look.position - centres[row][order]) / size[row]
            found.append((-off[order], seen, look.se / size[row]))
            far = look.deeper / size[row] - deeper(
                true[row], m[row], float(truth["f_px"][row]), float(size[row]), names
            )
            pair = int(truth["seed"][row]) * 100000 + int(truth["pair"][row])
            shown.append((far, view, pair, truth["phase"][row]))
        print(f"\n{view}: {len(found)} stills of bodies held out")
        print_joints(*(np.array(part) for part in zip(*found, strict=True)))
    far, views, pairs, phases = zip(*shown, strict=True)
    np.savez_compressed(
        args.out,
        far=np.array(far, np.float16),
        view=np.array(views),
        pair=np.array(pairs),
        phase=np.array(phases),
        joint_names=np.array(REFINED),
    )


def rms(errors: Array) -> float:
    return float(np.sqrt(np.minimum((errors**2).sum(-1), FARTHEST**2).mean()))


def print_joints(moved: Array, seen: Array, se: Array) -> None:
    """Errors (still, joint, 2) and what the refiner says (still, joint), body sizes."""
    print(
        "| joint | moved | refiner | median | said | alike, across and down | where they disagree |"
    )
    for k in range(0, len(REFINED), 2):
        x, y = (np.clip(e[:, k : k + 2], -FARTHEST, FARTHEST) for e in (moved, seen))
        said = se[:, k : k + 2]
        square = np.sqrt((x**2).mean((0, 1)) * (y**2).mean((0, 1)))
        alike = (x * y).mean((0, 1)) / square
        own = (x**2).mean()
        both = own + said**2 - 2 * alike.mean() * np.sqrt(own) * said
        doubt = ((x - y) ** 2).sum(-1) / (2 * both)
        parts = []
        for low, high in pairwise(DOUBTS):
            of = (doubt >= low) & (doubt < high)
            a, b = (float(np.median(np.linalg.norm(e[of], axis=-1))) for e in (x, y))
            parts.append(f"{of.mean():.0%}: {a:.3f}, {b:.3f}")
        print(
            f"| {REFINED[k].split('_')[1]}s | {rms(x):.3f} | {rms(y):.3f} "
            f"| {np.median(np.linalg.norm(y, axis=-1)):.3f} "
            f"| {np.sqrt(2 * np.median(said**2)):.3f} "
            f"| {alike[0]:.2f}, {alike[1]:.2f} | {'; '.join(parts)} |"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--truth", type=Path, nargs="+", required=True)
    parser.add_argument("--looks", type=Path, nargs="+", required=True)
    parser.add_argument("--stills", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--units", type=int, default=24)
    parser.add_argument("--decay", type=float, default=0.01)
    main(parser.parse_args())
