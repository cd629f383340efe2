"""Dress a body: regions of cloth and skin, their colours, and how far cloth stands off the skin.

Regions follow the bones that move a vertex and its height at rest. Cloth is the body's own surface
smoothed and pushed out along its normals, which is what hides a joint from a camera.
"""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

Array = NDArray[np.float64]

SKIN = (
    (0.93, 0.76, 0.66),
    (0.82, 0.62, 0.5),
    (0.68, 0.47, 0.36),
    (0.5, 0.33, 0.23),
    (0.32, 0.2, 0.14),
)
HAIR = (
    (0.08, 0.06, 0.05),
    (0.25, 0.16, 0.1),
    (0.45, 0.32, 0.18),
    (0.72, 0.6, 0.4),
    (0.7, 0.7, 0.7),
)


class Mesh:
    """What the surface shares between bodies: triangles, neighbours, the bones that move it."""

    def __init__(self, triangles: NDArray[np.int32], strongest_bone: list[str]) -> None:
        self.triangles = triangles
        count, faces = len(strongest_bone), len(triangles)
        corner = triangles.ravel()
        self._corner_of = sp.csr_matrix(
            (np.ones(3 * faces), (corner, np.repeat(np.arange(faces), 3))), shape=(count, faces)
        )
        i = np.concatenate([triangles[:, 0], triangles[:, 1], triangles[:, 2]])
        j = np.concatenate([triangles[:, 1], triangles[:, 2], triangles[:, 0]])
        near = sp.csr_matrix(
            (np.ones(2 * len(i)), (np.r_[i, j], np.r_[j, i])), shape=(count, count)
        )
        near.data[:] = 1.0
        self._mean_of_neighbours = sp.diags(1.0 / np.maximum(near.sum(1).A1, 1.0)) @ near
        self.bone = np.array(strongest_bone)
        self.part = np.array([b.split(".")[0] for b in strongest_bone])

    def normals(self, vertices: Array) -> Array:
        a, b, c = (vertices[self.triangles[:, k]] for k in range(3))
        total = self._corner_of @ np.cross(b - a, c - a)
        return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)

    def spread(self, values: Array, rounds: int) -> Array:
        for _ in range(rounds):
            values = self._mean_of_neighbours @ values
        return values

    def is_part(self, *names: str) -> NDArray[np.bool_]:
        return np.isin(self.part, names)


def _cloth_colour(rng: np.random.Generator) -> Array:
    kind = rng.random()
    if kind < 0.3:  # white to black
        return np.full(3, rng.uniform(0.03, 0.95))
    if kind < 0.5:  # khaki, navy and their like
        return np.array(((0.6, 0.52, 0.38), (0.08, 0.1, 0.22), (0.3, 0.32, 0.3))[rng.integers(3)])
    return rng.uniform(0.03, 0.9, 3)


def _waves(points: Array, rng: np.random.Generator, scale_m: float) -> Array:
    """Smooth noise over the body, about -1 to 1."""
    total = np.zeros(len(points))
    for _ in range(6):
        k = rng.normal(0.0, 1.0 / scale_m, 3)
        total += np.sin(points @ k + rng.uniform(0, 6.3))
    return total / 3.0


def dress(
    mesh: Mesh,
    rest: Array,
    joints: dict[str, Array],
    lips: Array,
    eyelids: Array,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Return the dressed rest surface (V, 3) and its colours (V, 3), 0 to 1."""
    shape = rest.copy()
    z = rest[:, 2]
    hip, neck, head = joints["hip"][2], joints["neck"][2], joints["head"]
    skin = np.array(SKIN[rng.integers(len(SKIN))]) * rng.uniform(0.9, 1.08)
    colour = np.repeat(skin[None], len(rest), axis=0)

    arms = (
        mesh.is_part("upperarm01", "upperarm02", "lowerarm01", "lowerarm02", "wrist")
        | np.char.startswith(mesh.part, "finger")
        | np.char.startswith(mesh.part, "metacarpal")
    )
    head_part = mesh.is_part("head", "neck03", "eye")
    feet = mesh.is_part("foot") | np.char.startswith(mesh.part, "toe")
    trunk = ~arms & ~head_part & ~feet & (z < neck + 0.05) & ~mesh.is_part("neck02")

    untucked = rng.random() < 0.5
    belt = hip + rng.uniform(0.02, 0.16)  # low on the hips to high
    hem = hip - rng.uniform(0.0, 0.1) if untucked else belt
    shorts = rng.random() < 0.25
    knee, ankle = joints["knee"][2], joints["ankle"][2]
    # Long trousers end above the ankle or lie on the shoe.
    trouser_end = knee + rng.uniform(-0.02, 0.12) if shorts else ankle + rng.uniform(-0.045, 0.06)
    about_ankle = feet & (np.abs(rest[:, 1] - joints["ankle"][1]) < 0.06)
    trousers = (trunk | about_ankle) & (z < belt) & (z > trouser_end)
    shin = mesh.is_part("lowerleg01", "lowerleg02") | about_ankle
    shoe = (feet | shin) & (z < ankle + rng.uniform(-0.03, 0.05))
    sock = shin & ~shoe & (z < ankle + rng.uniform(-0.02, 0.2))
    shirt = trunk & (z > hem)
    sleeve = rng.random()
    if sleeve < 0.05:
        pass  # sleeveless
    elif sleeve < 0.7:  # short sleeves, by distance from the shoulder
        for side in "LR":
            far = np.linalg.norm(rest - joints[f"shoulder.{side}"], axis=1)
            length = np.linalg.norm(joints[f"elbow.{side}"] - joints[f"shoulder.{side}"])
            shirt |= (
                arms & (far < length * rng.uniform(0.6, 1.0)) & np.char.endswith(mesh.bone, side)
            )
    else:
        shirt |= mesh.is_part("upperarm01", "upperarm02", "lowerarm01", "lowerarm02")
    shirt_colour, trouser_colour = _cloth_colour(rng), _cloth_colour(rng)
    if rng.random() < 0.8:
        colour[sock] = rng.uniform(0.02, 0.95)
    colour[shoe] = _cloth_colour(rng)
    colour[trousers] = trouser_colour
    colour[shirt] = shirt_colour
    if rng.random() < 0.4:
        collar = shirt & mesh.is_part("neck01", "neck02", "spine01") & (z > neck)
        colour[collar] = _cloth_colour(rng)
    pattern = rng.random()
    if pattern < 0.15:  # hoops
        colour[shirt & (np.sin(z * rng.uniform(60, 160)) > 0.3)] = _cloth_colour(rng)
    elif pattern < 0.25:  # a darker side panel
        colour[shirt & (np.abs(rest[:, 0]) > 0.13)] *= 0.6
    if rng.random() < 0.4 and not untucked:
        colour[trunk & (np.abs(z - belt) < 0.018)] = rng.uniform(0.02, 0.4)
    glove = (
        (mesh.is_part("wrist") | np.char.startswith(mesh.part, "finger"))
        | np.char.startswith(mesh.part, "metacarpal")
    ) & np.char.endswith(mesh.bone, "L")
    if rng.random() < 0.6:  # on the lead hand
        colour[glove] = rng.uniform(0.6, 0.97) if rng.random() < 0.7 else _cloth_colour(rng)

    # Loose cloth: smooth the body under it, push it out, let it ripple.
    normal = mesh.normals(rest)
    out = np.zeros(len(rest))
    for region, low, high in (
        (shirt, 0.002, 0.028),
        (trousers, 0.002, 0.025),
        (shoe, 0.004, 0.018),
    ):
        looseness = rng.uniform(low, high)
        tight = region is shoe or rng.random() < 0.25
        smooth = mesh.spread(rest, int(rng.integers(0, 3) if tight else rng.integers(2, 25)))
        looseness = min(looseness, 0.008) if tight and region is not shoe else looseness
        keep = mesh.spread(region.astype(float)[:, None], 2)
        shape = np.where(region[:, None], keep * smooth + (1 - keep) * shape, shape)
        ripple = 1.0 + 0.35 * _waves(rest, rng, 0.08) + 0.15 * _waves(rest, rng, 0.03)
        # The push follows the smoothing inwards, so that cloth never cuts into the body.
        inward = np.maximum(((rest - smooth) * normal).sum(1), 0.0)
        out = np.where(region, looseness * ripple + inward, out)
    sag = shirt & (z < hip + 0.25) & ~arms
    out[sag] += rng.uniform(0.0, 0.02)

    # Head: hair or a cap above the brow; eyes, lips, lids.
    up, front = rest[:, 2] - head[2], rest[:, 1] - head[1]
    hair_line = np.where(front < -0.07, 0.1, np.where(front < -0.03, 0.07, -0.04))
    hair_line = hair_line + 0.012 * _waves(rest, rng, 0.03)
    bald = rng.random() < 0.1
    hair = head_part & (up > hair_line) & ~mesh.is_part("eye")
    ears = head_part & (np.abs(rest[:, 0]) > 0.069) & (up < 0.06) & (up > -0.02)
    hair &= ~ears
    hair_colour = np.array(HAIR[rng.integers(len(HAIR))])
    if not bald:
        colour[hair] = hair_colour * rng.uniform(0.8, 1.2)
        out[hair] += rng.uniform(0.002, 0.02)
    brow = head_part & (np.abs(up - 0.072) < 0.006) & (front < -0.09) & (np.abs(rest[:, 0]) > 0.012)
    colour[brow] = hair_colour
    colour += (
        (lips[:, None] > 0.4) * (np.array([0.62, 0.3, 0.28]) * skin.mean() * 1.5 - colour) * 0.6
    )
    eye = mesh.is_part("eye")
    colour[eye] = 0.9
    for side in "LR":
        of_side = eye & np.char.endswith(mesh.bone, side)
        if of_side.any():
            tip = rest[of_side, 1].min()
            colour[of_side & (rest[:, 1] < tip + 0.0025)] = (0.12, 0.09, 0.07)
    if rng.random() < 0.6:
        cap = head_part & (up > np.where(front < -0.05, 0.1, 0.07)) & ~eye
        colour[cap] = _cloth_colour(rng)
        out[cap] = rng.uniform(0.008, 0.02)
        brim = cap & (front < -0.11) & (up < 0.125)
        shape[brim, 1] -= rng.uniform(0.05, 0.075)
        shape[brim, 2] -= rng.uniform(0.0, 0.015)
    shape = shape + normal * out[:, None]
    colour *= 1.0 + rng.uniform(0.0, 0.06) * _waves(rest, rng, 0.05)[:, None]
    return shape, np.clip(colour, 0.0, 1.0)
