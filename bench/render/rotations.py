"""Small rotations in numpy: about an axis, between two directions, part of the way."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Array = NDArray[np.float64]


def unit(v: Array) -> Array:
    return v / max(float(np.linalg.norm(v)), 1e-12)


def about(axis: str, degrees: float) -> Array:
    return Rotation.from_euler(axis, degrees, degrees=True).as_matrix()


def about_vector(axis: Array, radians: float) -> Array:
    return Rotation.from_rotvec(unit(axis) * radians).as_matrix()


def least_turn(a: Array, b: Array) -> Array:
    """The smallest rotation that takes direction a to direction b."""
    a, b = unit(a), unit(b)
    axis = np.cross(a, b)
    sine, cosine = float(np.linalg.norm(axis)), float(a @ b)
    if sine < 1e-9:
        return np.eye(3)
    return about_vector(axis, float(np.arctan2(sine, cosine)))


def part_way(a: Array, b: Array, share: float) -> Array:
    """The rotation `share` of the shortest way from a to b."""
    vector = Rotation.from_matrix(b @ a.T).as_rotvec()
    return Rotation.from_rotvec(vector * share).as_matrix() @ a


def frame(along: Array, hinge: Array) -> Array:
    """Columns: along, the hinge axis made square to it, and their cross product."""
    along = unit(along)
    hinge = unit(hinge - (hinge @ along) * along)
    return np.stack([along, hinge, np.cross(along, hinge)], axis=1)


def twist_about(turn: Array, axis: Array) -> float:
    """How far a rotation that keeps `axis` in place turns about it, radians."""
    return float(Rotation.from_matrix(turn).as_rotvec() @ unit(axis))
