"""Fit what the network's rough depth says of the way a body faces, and how errors go by position.

    python bench/render/facing.py --truth A/truth_0000.npz B/... --looks A.npz B.npz \
        --shown refiner.npz --out F.npz

The files of `stills.py` and of `observe.py`, as for `fit.py`, whose small network and folds over
bodies are used. Per view: how much farther from the camera the lead shoulder is than the trail one,
likewise the hips, and the shoulders' middle than the hips', in body sizes; what is left of them in
bodies that a fit has not seen, by position in the swing; and how the errors of the joint centres
(`lessonmark.tracks.anatomy`) change with the position. Printed too: how they go together at a pair
of joints, which the product does not use.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from fit import FOLDS, LEFT_ALONE, VIEWS, Stills, guess, left_over, read_stills, standard, train
from numpy.typing import NDArray

from lessonmark.tracks.anatomy import CORRECTED

Array = NDArray[np.float64]

LINES = ("shoulder", "hip", "trunk")
SIZE = (540, 960)  # of the stills
POSITIONS = 10
# Positions' shares of a still between them: a bell one position wide to either side.
WIDTH = 0.5
FARTHEST = 6.0  # robust deviations beyond which a residual is drawn in, as in `fit.split`


def in_camera(px: Array, m: Array, f_px: Array) -> Array:
    """Joints in their camera's axes (still, joint, 3), m: the stills keep f but no pose."""
    out = np.empty_like(m)
    for i, (pixels, points, f) in enumerate(zip(px, m, f_px, strict=True)):
        lens = np.array([[f, 0, SIZE[0] / 2], [0, f, SIZE[1] / 2], [0, 0, 1.0]])
        _, turn, shift = cv2.solvePnP(points, pixels, lens, None, flags=cv2.SOLVEPNP_SQPNP)
        out[i] = points @ cv2.Rodrigues(turn)[0].T + shift.ravel()
    return out


def depths(camera: Array, names: tuple[str, ...], size_px: Array, f_px: Array) -> Array:
    """True depth differences along the ray to the hips, (still, line), body sizes."""

    def at(name: str) -> Array:
        return camera[:, names.index(name)]

    hips = (at("left_hip") + at("right_hip")) / 2
    away = np.linalg.norm(hips, axis=1)
    ray = hips / away[:, None]
    lines = [at(f"left_{j}") - at(f"right_{j}") for j in ("shoulder", "hip")]
    lines.append((at("left_shoulder") + at("right_shoulder")) / 2 - hips)
    size_m = size_px * away / f_px
    return np.stack([(line * ray).sum(1) / size_m for line in lines], axis=1)


def drawn_in(left: Array) -> Array:
    limit = FARTHEST * np.median(np.abs(left), axis=0) / 0.6745
    return np.clip(left, -limit, limit)


def by_position(square: Array, phase: Array) -> Array:
    """Mean of squares (still, ...) near each position, (position, ...)."""
    near = np.exp(-0.5 * ((np.arange(POSITIONS)[:, None] - phase[None]) / WIDTH) ** 2)
    near /= near.sum(1, keepdims=True)
    return np.tensordot(near, square, axes=1)


def halves(left: Array, pair: NDArray[np.int64]) -> Array:
    """The random share of a variance: half the mean square within pairs (see `fit.split`)."""
    order = np.argsort(pair, kind="stable")
    rows, names = left[order], pair[order]
    first = np.flatnonzero(names[:-1] == names[1:])
    return np.asarray(((rows[first] - rows[first + 1]) ** 2).mean(0) / 2)


def fit_view(rows: Stills, true: Array, phase: Array, args: argparse.Namespace) -> dict[str, Array]:
    mean, sd, low, high = standard(rows)
    x = np.clip((rows.features - mean) / sd, low, high)
    y = np.concatenate([true, np.zeros((len(true), 1))], axis=1).reshape(len(true), 2, 2)
    fold = rows.body % FOLDS
    masks = np.stack([fold != k for k in range(FOLDS)])
    part = train(x, y, masks, args.units, args.decay)
    left = np.empty_like(true)
    for k in range(FOLDS):
        seen = guess(x[fold == k], part, k).reshape(-1, 4)[:, : len(LINES)]
        left[fold == k] = true[fold == k] - seen
    left = drawn_in(left)
    random = halves(left, rows.pair)
    shared = np.maximum(by_position(left**2, phase) - random, 0.25 * (left**2).mean(0))
    for k, name in enumerate(LINES):
        print(
            f"| {name} | {np.std(true[:, k]):.3f} | {np.sqrt((left[:, k] ** 2).mean()):.3f} | "
            f"{np.sqrt(random[k]):.3f} | " + " ".join(f"{v:.3f}" for v in np.sqrt(shared[:, k]))
        )
    whole = train(x, y, np.ones((1, len(x)), bool), args.units, args.decay)
    centres = left_over(rows, args.units, args.decay)
    centres = drawn_in(centres.reshape(len(centres), -1)).reshape(centres.shape)
    square = (centres**2).sum(2)
    factor = by_position(square, phase) / square.mean(0)
    together = np.zeros((len(CORRECTED) // 2, 2))
    for k in range(0, len(CORRECTED), 2):
        lead, trail = centres[:, k], centres[:, k + 1]
        together[k // 2] = (lead * trail).mean(0) / np.sqrt((lead**2).mean(0) * (trail**2).mean(0))
        name = CORRECTED[k].split("_")[1]
        if name in LEFT_ALONE:
            factor[:, k : k + 2], together[k // 2] = 1.0, 0.0
        print(name, "together", together[k // 2].round(2))
        for j in (k, k + 1):
            print("   ", CORRECTED[j], np.sqrt(factor[:, j]).round(2))
    return {
        "mean": mean,
        "sd": sd,
        "low": low,
        "high": high,
        "random": random,
        "shared": shared,
        "landmark_factor": factor,
    } | {k: v[0].reshape(v[0].shape if v[0].shape[0] > 1 else -1) for k, v in whole.items()}


def shown_errors(file: Path) -> dict[str, Array]:
    """What is left of the joint refiner's depths in bodies held out (`refine.py`'s .npz)."""
    with np.load(file) as held:
        names = [str(name) for name in held["joint_names"]]
        far, view, pair, phase = (held[key] for key in ("far", "view", "pair", "phase"))
    sides = {
        part: [far[:, names.index(f"{side}_{part}")].astype(float) for side in ("left", "right")]
        for part in ("shoulder", "hip")
    }
    left = np.stack(
        [
            sides["shoulder"][0] - sides["shoulder"][1],
            sides["hip"][0] - sides["hip"][1],
            (sum(sides["shoulder"]) - sum(sides["hip"])) / 2,
        ],
        axis=1,
    )
    found: dict[str, Array] = {}
    for v in VIEWS:
        rows = view == v
        here = drawn_in(left[rows])
        random = halves(here, pair[rows])
        shared = by_position(here**2, phase[rows]) - random
        found |= {f"{v}/shown_random": random, f"{v}/shown_shared": shared}
        print(v, "shown: random", np.sqrt(random).round(3), "shared", np.sqrt(shared).round(3))
    return found


def main(args: argparse.Namespace) -> None:
    stills, _ = read_stills(args.truth, args.looks)
    known = read_depths(args.truth, args.looks)
    table = {}
    for view in VIEWS:
        true, phase = known[view]
        print(f"\n{view}: {len(phase)} stills")
        found = fit_view(stills[view], true, phase, args)
        table |= {f"{view}/{k}": np.asarray(v, np.float32) for k, v in found.items()}
    table |= {k: v.astype(np.float32) for k, v in shown_errors(args.shown).items()}
    np.savez_compressed(args.out, **table)


def read_depths(truth_files: list[Path], looks_files: list[Path]) -> dict[str, tuple[Array, Array]]:
    """Depth differences and phases of the stills that `read_stills` keeps, in its order."""
    from fit import LOST, _joined, _swap

    from lessonmark.tracks.anatomy import body_size
    from lessonmark.tracks.schema import BODY_KEYPOINTS

    truth = _joined(truth_files, ("px", "m", "view", "mirrored", "f_px", "phase"))
    looks = _joined(looks_files, ("position", "depth", "presence"))
    names = tuple(str(n) for n in np.load(truth_files[0])["joint_names"])
    px, m, flip = truth["px"].astype(float), truth["m"].astype(float), truth["mirrored"]
    wide = np.array([SIZE[0], 0.0])
    px[flip] = (px[flip] * [-1.0, 1.0] + wide)[:, _swap(names)]
    m[flip] = (m[flip] * [-1.0, 1.0, 1.0])[:, _swap(names)]
    place, depth = looks["position"].astype(float), looks["depth"].astype(float)
    place[flip] = (place[flip] * [-1.0, 1.0] + wide)[:, _swap(BODY_KEYPOINTS)]
    depth[flip] = depth[flip][:, _swap(BODY_KEYPOINTS)]
    size = body_size(place, depth)
    columns = [BODY_KEYPOINTS.index(n) for n in CORRECTED]
    gap = (px[:, [names.index(n) for n in CORRECTED]] - place[:, columns]) / size[:, None, None]
    kept = (looks["presence"] > 0.5) & np.isfinite(size)
    kept &= np.median(np.linalg.norm(gap, axis=2), axis=1) < LOST
    true = depths(in_camera(px, m, truth["f_px"]), names, size, truth["f_px"].astype(float))
    return {v: (true[r], truth["phase"][r]) for v in VIEWS for r in [kept & (truth["view"] == v)]}


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--truth", type=Path, nargs="+", required=True)
    parser.add_argument("--looks", type=Path, nargs="+", required=True)
    parser.add_argument("--shown", type=Path, required=True, help="of the joint refiner's training")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--units", type=int, default=24)
    parser.add_argument("--decay", type=float, default=0.01)
    main(parser.parse_args())
