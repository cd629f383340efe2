"""Make many different bodies, each with its joint centres, from an open parametric body.

Run in the renderer's own environment (requirements.txt beside this file), once:

    python bench/render/bodies.py --bodies 300 --seed 1 --out bodies.npz

The file holds, per body: the vertices at rest, the joint heads at rest, and what does not vary
(triangles, skinning weights, the regions of skin). Everything after this step needs numpy only.
"""

from __future__ import annotations

import argparse
import warnings
from pathlib import Path

import anny
import cv2
import numpy as np
import torch
from anny.paths import get_anny_root_dir

# Families of local shape changes that alter the trunk and the limbs; hands, feet and face are
# left to the broad parameters. Left and right change alike.
LOCAL_FAMILIES = (
    "upperarm",
    "lowerarm",
    "hip-",
    "upperleg",
    "lowerleg",
    "torso",
    "measure-",
    "stomach",
    "buttocks",
    "breast-volume",
    "neck-",
    "head-scale",
    "head-fat",
)
LOCAL_SD = 0.25  # of a shape change's own full range
LOCAL_SHARE = 0.5  # of the changes are switched on in any one body


def _local_changes(labels: list[str], bodies: int, rng: np.random.Generator) -> np.ndarray:
    names = [n.removeprefix("l-").removeprefix("r-") for n in labels]
    known: dict[str, np.ndarray] = {}
    columns = []
    for name in names:
        if not any(family in name for family in LOCAL_FAMILIES):
            columns.append(np.zeros(bodies))
            continue
        if name not in known:
            on = rng.random(bodies) < LOCAL_SHARE
            known[name] = np.clip(on * rng.normal(0.0, LOCAL_SD, bodies), -0.8, 0.8)
        side_by_side = known[name]
        # Shifts to one side are wanted small: a golfer is not lopsided.
        columns.append(side_by_side * (0.2 if name.endswith("trans-out") else 1.0))
    return np.stack(columns, axis=1)


def _broad(bodies: int, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Sex, age, build: wide on purpose. Age 0.45 is a teenager here, 1 is old."""
    return {
        "gender": np.where(
            rng.random(bodies) < 0.8, rng.integers(0, 2, bodies), rng.random(bodies)
        ).astype(float),
        "age": rng.uniform(0.45, 1.0, bodies),
        "muscle": rng.uniform(0.15, 0.9, bodies),
        "weight": rng.uniform(0.1, 0.95, bodies),
        "height": rng.uniform(0.3, 0.65, bodies),
        "proportions": rng.uniform(0.1, 0.9, bodies),
        "cupsize": rng.uniform(0.2, 0.8, bodies),
        "firmness": rng.uniform(0.3, 0.7, bodies),
        "african": rng.uniform(0.0, 1.0, bodies),
        "asian": rng.uniform(0.0, 1.0, bodies),
        "caucasian": rng.uniform(0.0, 1.0, bodies),
    }


def _texture_mask(model: anny.Anny, file: str) -> np.ndarray:
    """0 to 1 per vertex: where a painted region (lips, eyelids) lies on the body."""
    image = cv2.imread(
        str(get_anny_root_dir() / "data/mpfb2/textures" / file), cv2.IMREAD_GRAYSCALE
    )
    height, width = image.shape
    uv = model.texture_coordinates.numpy()
    u = np.clip((uv[:, 0] * width).astype(int), 0, width - 1)
    v = np.clip(((1 - uv[:, 1]) * height).astype(int), 0, height - 1)
    value = image[v, u] / 255.0
    mask = np.zeros(len(model.template_vertices))
    np.maximum.at(
        mask,
        model.faces.numpy().ravel(),
        value[model.face_texture_coordinate_indices.numpy()].ravel(),
    )
    return mask


def make_bodies(count: int, seed: int) -> dict[str, np.ndarray]:
    """Return the arrays of the file, see the module's words."""
    rng = np.random.default_rng(seed)
    warnings.simplefilter("ignore")
    model = anny.Anny(rig="anny", local_changes="all", phenotypes="all")
    broad = _broad(count, rng)
    local = _local_changes(list(model.local_change_labels), count, rng)
    landmarks = anny.KeypointsRegressor.coco(model)
    vertices, heads, marks = [], [], []
    with torch.no_grad():
        for i in range(count):
            out = model(
                phenotype_kwargs={k: float(v[i]) for k, v in broad.items()},
                local_changes_kwargs={
                    k: float(v) for k, v in zip(model.local_change_labels, local[i], strict=True)
                },
            )
            vertices.append(out["rest_vertices"][0].float().numpy())
            heads.append(out["rest_bone_heads"][0].float().numpy())
            marks.append(landmarks({"vertices": out["rest_vertices"]})[0].float().numpy())
    dense = model.dense_vertex_bone_weights.float().numpy()
    order = np.argsort(-dense, axis=1)[:, :6]
    weights = np.take_along_axis(dense, order, axis=1)
    return {
        "seed": np.array(seed),
        "vertices": np.stack(vertices),
        "heads": np.stack(heads),
        "marks": np.stack(marks),
        "mark_names": np.array(list(landmarks.labels)),
        "bones": np.array(model.bone_labels),
        "parents": np.array([p if p is not None else -1 for p in model.bone_parents]),
        "triangles": model.get_triangular_faces().numpy().astype(np.int32),
        "weights": (weights / weights.sum(1, keepdims=True)).astype(np.float32),
        "weight_bones": order.astype(np.int16),
        "lips": _texture_mask(model, "mpfb_lips.jpg").astype(np.float32),
        "eyelids": _texture_mask(model, "mpfb_eyelids.jpg").astype(np.float32),
        "broad": np.stack(list(broad.values()), axis=1),
        "broad_names": np.array(list(broad)),
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bodies", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    torch.set_num_threads(1)
    np.savez(args.out, **make_bodies(args.bodies, args.seed))
