"""Fit the way from the network's landmarks to the joints' centres, and what it leaves.

    python bench/render/fit.py --truth A/truth_0000.npz B/... --looks A.npz B.npz --out anatomy.npz

The files of `stills.py` and of `observe.py`, in the same order of stills. Needs torch; the fitted
table is small and is applied with numpy alone (`lessonmark.tracks.anatomy`).

Folds are over bodies: no body of a test fold is in its training folds, whatever it wears.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray

from lessonmark.tracks.anatomy import CORRECTED, body_size, network_features
from lessonmark.tracks.schema import BODY_KEYPOINTS

Array = NDArray[np.float64]

FOLDS = 5
HUBER = 0.08  # body sizes: beyond this a still pulls with constant force
LOST = 0.25  # body sizes: the network's median error beyond which it took something else for a body
HELPS = 0.97  # a joint is moved where what is left, in unseen bodies, is under this share
NOT_SEEN = 0.5  # visibility under which the network says that it guesses
VIEWS = ("face-on", "down-the-line")
# Not moved, whatever the folds say. The network puts shoulders, hips, knees, ankles and ears off
# the joint by definition; an elbow or a wrist it puts on the joint, or on the wrong side of a body
# that hides it. A fit mends the latter with this renderer's habits of bending arms, which are no
# player's: on the clips held out, the trail elbow went from 0.15 to 0.23 torso lengths.
LEFT_ALONE = ("elbow", "wrist")


@dataclass(frozen=True, kw_only=True)
class Stills:
    """Rows of one view, mirrored to right-handers; offsets true minus network, body sizes."""

    features: Array
    offsets: Array  # (still, joint, 2)
    seen: Array  # (still, joint) visibility
    body: NDArray[np.int64]
    golfer: NDArray[np.int64]  # body in one set of clothes, one place, one camera
    pair: NDArray[np.int64]  # a golfer at one position


def _swap(names: tuple[str, ...]) -> list[int]:
    other = {"left": "right", "right": "left"}
    return [names.index("_".join(other.get(w, w) for w in n.split("_"))) for n in names]


def _joined(files: list[Path], names: tuple[str, ...]) -> dict[str, NDArray[np.generic]]:
    opened = [np.load(file) for file in files]
    return {name: np.concatenate([one[name] for one in opened]) for name in names}


def read_stills(
    truth_files: list[Path], looks_files: list[Path]
) -> tuple[dict[str, Stills], dict[str, float]]:
    """Read the files; also the share of stills that the network was lost on, per view."""
    truth = _joined(truth_files, ("px", "body", "view", "pair", "mirrored", "seed"))
    looks = _joined(looks_files, ("position", "depth", "visibility", "presence"))
    if len(truth["px"]) != len(looks["position"]):
        raise SystemExit("the looks are not of the same stills as the truth")
    names = tuple(str(n) for n in np.load(truth_files[0])["joint_names"])
    true = truth["px"].astype(float)
    place = looks["position"].astype(float)
    depth, seen = looks["depth"].astype(float), looks["visibility"].astype(float)
    flip = truth["mirrored"]
    true[flip] = (true[flip] * [-1.0, 1.0])[:, _swap(names)]
    place[flip] = (place[flip] * [-1.0, 1.0])[:, _swap(BODY_KEYPOINTS)]
    depth[flip], seen[flip] = (
        depth[flip][:, _swap(BODY_KEYPOINTS)],
        seen[flip][:, _swap(BODY_KEYPOINTS)],
    )
    columns = [BODY_KEYPOINTS.index(n) for n in CORRECTED]
    size = body_size(place, depth)
    offsets = (true[:, [names.index(n) for n in CORRECTED]] - place[:, columns]) / size[
        :, None, None
    ]
    features = network_features(place, depth, seen)
    found = (looks["presence"] > 0.5) & np.isfinite(size)
    kept = found & (np.median(np.linalg.norm(offsets, axis=2), axis=1) < LOST)
    seed = truth["seed"].astype(int)
    stills, lost = {}, {}
    for view in VIEWS:
        rows = kept & (truth["view"] == view)
        lost[view] = 1.0 - rows.sum() / (truth["view"] == view).sum()
        stills[view] = Stills(
            features=features[rows],
            offsets=offsets[rows],
            seen=seen[rows][:, columns],
            body=truth["body"][rows],
            golfer=(seed * 100000 + truth["body"])[rows],
            pair=(seed * 100000 + truth["pair"])[rows],
        )
    return stills, lost


def standard(stills: Stills) -> tuple[Array, Array, Array, Array]:
    """Mean, spread and range of the features."""
    mean, sd = stills.features.mean(0), stills.features.std(0) + 1e-6
    x = (stills.features - mean) / sd
    low, high = np.percentile(x, [0.5, 99.5], axis=0)
    return mean, sd, low, high


def train(
    x: Array, y: Array, masks: NDArray[np.bool_], units: int, decay: float, steps: int = 2500
) -> dict[str, Array]:
    """Train one small network per mask (fold, still), all at once; weights with a leading fold."""
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(0)
    xs = torch.tensor(x, dtype=torch.float32, device=device)
    ys = torch.tensor(y.reshape(len(y), -1), dtype=torch.float32, device=device)
    weight = torch.tensor(masks, dtype=torch.float32, device=device)
    weight = weight / weight.sum(1, keepdim=True)
    folds, inputs, outputs = len(masks), xs.shape[1], ys.shape[1]
    part = {
        "straight": torch.zeros(folds, inputs, outputs),
        "hidden": torch.randn(1, inputs, units).repeat(folds, 1, 1) / inputs**0.5,
        "hidden_bias": torch.zeros(folds, 1, units),
        "out": torch.zeros(folds, units, outputs),
        "out_bias": ys.mean(0).cpu().repeat(folds, 1, 1),
    }
    part = {k: v.to(device).requires_grad_() for k, v in part.items()}
    optimiser = torch.optim.Adam(list(part.values()), lr=5e-3)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, 1e-2, total_steps=steps)
    for _ in range(steps):
        optimiser.zero_grad()
        guess = (
            xs @ part["straight"]
            + torch.tanh(xs @ part["hidden"] + part["hidden_bias"]) @ part["out"]
        )
        gap = (guess + part["out_bias"] - ys).reshape(folds, len(xs), -1, 2)
        square = (gap**2).sum(-1)
        loss = (HUBER**2 * (torch.sqrt(1 + square / HUBER**2) - 1)).mean(-1)
        total = (loss * weight).sum() + 1e-3 * decay * sum(
            (part[k] ** 2).sum() for k in ("straight", "hidden", "out")
        )
        total.backward()
        optimiser.step()
        schedule.step()
    return {k: v.detach().cpu().numpy().astype(float) for k, v in part.items()}


def guess(x: Array, part: dict[str, Array], fold: int) -> Array:
    y = (
        x @ part["straight"][fold]
        + np.tanh(x @ part["hidden"][fold] + part["hidden_bias"][fold]) @ part["out"][fold]
    )
    return (y + part["out_bias"][fold]).reshape(len(x), -1, 2)


def left_over(stills: Stills, units: int, decay: float) -> Array:
    """What is left of the offsets in bodies that a fit has not seen, (still, joint, 2)."""
    mean, sd, low, high = standard(stills)
    x = np.clip((stills.features - mean) / sd, low, high)
    fold = stills.body % FOLDS
    masks = np.stack([fold != k for k in range(FOLDS)])
    part = train(x, stills.offsets, masks, units, decay)
    left = np.empty_like(stills.offsets)
    for k in range(FOLDS):
        left[fold == k] = stills.offsets[fold == k] - guess(x[fold == k], part, k)
    return left


def split(left: Array, stills: Stills) -> tuple[Array, Array]:
    """Split second moments into what differs within a pair and what the pair shares.

    Random effects by the method of moments (Searle, Casella & McCulloch 1992, Variance
    Components, sec. 3.6, one-way balanced): half the mean square of the pairs' differences, and
    the rest. Values beyond six robust deviations are drawn in to there.
    """
    size = np.linalg.norm(left, axis=2)
    limit = 6.0 * np.median(size, axis=0) / 1.18
    left = left * np.minimum(1.0, limit / np.maximum(size, 1e-9))[..., None]
    order = np.argsort(stills.pair, kind="stable")
    pair, rows = stills.pair[order], left[order]
    first = np.flatnonzero(pair[:-1] == pair[1:])
    gap = rows[first] - rows[first + 1]
    random = np.einsum("nja,njb->jab", gap, gap) / (2 * len(gap))
    total = np.einsum("nja,njb->jab", left, left) / len(left)
    shared = total - random
    for j, matrix in enumerate(shared):  # an estimate of a variance may come out negative
        values, vectors = np.linalg.eigh(matrix)
        shared[j] = vectors @ np.diag(np.maximum(values, 0.0)) @ vectors.T
    return random, shared


def rms(left: Array) -> Array:
    return np.sqrt(np.minimum((left**2).sum(2), 0.3**2).mean(0))


def main(args: argparse.Namespace) -> None:
    stills, lost = read_stills(args.truth, args.looks)
    table: dict[str, NDArray[np.generic]] = {}
    for view, rows in stills.items():
        print(
            f"\n{view}: {len(rows.body)} stills, {len(set(rows.golfer))} golfers, "
            f"{len(set(rows.body))} bodies; lost {lost[view]:.1%}"
        )
        left = left_over(rows, args.units, args.decay)
        before, after = rms(rows.offsets), rms(left)
        used = after < HELPS * before
        used &= np.array([name.split("_")[1] not in LEFT_ALONE for name in CORRECTED])
        random, shared = split(left, rows)
        # A joint that is left alone keeps the whole of the network's offset as its error.
        raw_random, raw_shared = split(rows.offsets, rows)
        random = np.where(used[:, None, None], random, raw_random)
        shared = np.where(used[:, None, None], shared, raw_shared)
        clear, unseen = np.ones(len(CORRECTED)), np.ones(len(CORRECTED))
        for j, name in enumerate(CORRECTED):
            hidden = rows.seen[:, j] < NOT_SEEN
            square = ((left if used[j] else rows.offsets)[:, j] ** 2).sum(1)
            if hidden.sum() > 100 and (~hidden).sum() > 100:
                apart = [np.mean(square[part]) / np.mean(square) for part in (~hidden, hidden)]
                if apart[1] > 1.0:
                    clear[j], unseen[j] = apart
            ratio = unseen[j] / clear[j]
            print(
                f"| {name} | {before[j]:.3f} | {after[j]:.3f} | {np.sqrt(np.trace(random[j])):.3f} "
                f"| {np.sqrt(np.trace(shared[j])):.3f} | {hidden.mean():.2f} | {ratio:.1f} "
                f"| {'yes' if used[j] else 'no'} |"
            )
        mean, sd, low, high = standard(rows)
        x = np.clip((rows.features - mean) / sd, low, high)
        part = train(x, rows.offsets, np.ones((1, len(x)), bool), args.units, args.decay)
        values = {
            "mean": mean,
            "sd": sd,
            "low": low,
            "high": high,
            "used": used,
            "random": random,
            "systematic": shared,
            "clear": clear,
            "unseen": unseen,
        } | {k: v[0].reshape(v[0].shape if v[0].shape[0] > 1 else -1) for k, v in part.items()}
        table |= {
            f"{args.network}/{view}/{k}": v if v.dtype == bool else v.astype(np.float32)
            for k, v in values.items()
        }
    others = {}
    if args.out.exists():  # the other network's fit stays
        with np.load(args.out) as kept:
            others = {k: kept[k] for k in kept.files if not k.startswith(f"{args.network}/")}
    np.savez_compressed(args.out, **others, **table)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--truth", type=Path, nargs="+", required=True)
    parser.add_argument("--looks", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--network", choices=("full", "heavy"), default="full")
    parser.add_argument("--units", type=int, default=24)
    parser.add_argument("--decay", type=float, default=0.01)
    main(parser.parse_args())
