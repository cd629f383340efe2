"""Render stills of many golfers with their true joints.

    python bench/render/stills.py --bodies bodies.npz --out stills --views-each 5 --seed 1

Writes `stills/NNNNN.jpg` and `stills/truth_NNNN.npz`, a row a still: px (joint, 2) and m (joint,
3), joint_names by body side, body number, view, phase, pair, seed and whether the picture is
mirrored (a left-hander). One body keeps its clothes, its place and its two cameras over its stills.
Stills come in pairs: one position of one golfer, twice, as in two swings of a lesson.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from golfer import Body, Posed, pose, skin
from looks import Mesh, dress
from numpy.typing import NDArray
from picture import Camera, Renderer, draw_camera, finish, place_behind, tube
from rotations import unit
from swing_shape import again, draw, style

Array = NDArray[np.float64]

RIG_JOINTS = {
    "shoulder": "upperarm01",
    "elbow": "lowerarm01",
    "wrist": "wrist",
    "hip": "upperleg01",
    "knee": "lowerleg01",
    "ankle": "foot",
    "eye": "eye",
}
SURFACE_MARKS = ("left_ear", "right_ear", "nose")
JOINTS = (
    *(f"{side}_{name}" for name in RIG_JOINTS for side in ("left", "right")),
    *SURFACE_MARKS,
)
SIZE = (540, 960)


def true_joints(body: Body, posed: Posed, marks: dict[str, Array]) -> Array:
    points = [
        posed.heads[body.names.index(f"{bone}.{side}")]
        for bone in RIG_JOINTS.values()
        for side in ("L", "R")
    ]
    head = body.names.index("head")
    points += [
        posed.heads[head] + posed.turns[head] @ (marks[name] - body.heads[head])
        for name in SURFACE_MARKS
    ]
    return np.stack(points)


def body_anchors(body: Body) -> dict[str, Array]:
    """Give the places at rest that clothes are cut by."""
    sided = {"shoulder": "upperarm01", "elbow": "lowerarm01"}
    return {
        "hip": (body.at("upperleg01.L") + body.at("upperleg01.R")) / 2,
        "neck": body.at("neck01"),
        "head": body.at("head"),
        "knee": body.at("lowerleg01.L"),
        "ankle": body.at("foot.L"),
    } | {f"{n}.{side}": body.at(f"{bone}.{side}") for n, bone in sided.items() for side in "LR"}


def _mirror_names(points: Array) -> Array:
    """Swap left and right: what a mirrored picture shows."""
    order = [
        JOINTS.index(n.replace("left", "?").replace("right", "left").replace("?", "right"))
        for n in JOINTS
    ]
    return points[order]


def club(
    posed: Posed, length_m: float, steel: Array
) -> list[tuple[Array, Array, Array, NDArray[np.int32]]]:
    tip = posed.butt + posed.shaft * length_m
    toe = unit(np.cross(posed.shaft, np.array([0.2, 0.3, 0.9]))) * 0.09
    return [
        tube(posed.butt, posed.butt + posed.shaft * 0.27, 0.012, np.array([0.05, 0.05, 0.05])),
        tube(posed.butt + posed.shaft * 0.27, tip, 0.006, steel),
        tube(tip, tip + toe, 0.022, steel * 0.7),
    ]


def draw_light(rng: np.random.Generator) -> dict[str, object]:
    sun = unit(np.array([rng.normal(0, 0.7), rng.normal(-0.4, 0.8), rng.uniform(0.3, 1.2)]))
    return {
        "sun": tuple(sun),
        "sky": tuple(rng.uniform(0.85, 1.0, 3)),
        "ambient": float(rng.uniform(0.35, 0.85)),
        "gloss": float(rng.uniform(0.0, 0.12)),
        # How much of the sun's light a shadow takes: none under clouds.
        "shadow": 0.0 if rng.random() < 0.3 else float(rng.uniform(0.4, 1.0)),
    }


def render_all(bodies: Path, out: Path, views_each: int, seed: int, start: int, stop: int) -> None:
    data = np.load(bodies)
    names = tuple(str(n) for n in data["bones"])
    parents = tuple(int(p) for p in data["parents"])
    weights, weight_bones = data["weights"].astype(float), data["weight_bones"]
    mesh = Mesh(data["triangles"], [names[k] for k in weight_bones[:, 0]])
    renderer = Renderer(SIZE)
    out.mkdir(parents=True, exist_ok=True)
    mark_names = [str(n) for n in data["mark_names"]]
    rows: dict[str, list[object]] = {
        k: [] for k in ("px", "m", "body", "view", "phase", "pair", "mirrored", "f_px", "seed")
    }
    all_vertices, all_heads, all_marks = data["vertices"], data["heads"], data["marks"]
    number = start * 4 * views_each
    for k in range(start, min(stop, len(all_vertices))):
        rng = np.random.default_rng([seed, k])
        who = 1000 * int(data["seed"]) + k  # bodies of other files are other bodies
        body = Body(names=names, parents=parents, heads=all_heads[k].astype(float))
        marks = {n: all_marks[k][mark_names.index(n)].astype(float) for n in SURFACE_MARKS}
        anchor = body_anchors(body)
        surface, colours = dress(
            mesh, all_vertices[k].astype(float), anchor, data["lips"], data["eyelids"], rng
        )
        habit, light = style(rng), draw_light(rng)
        length, steel = float(rng.uniform(0.88, 1.15)), np.full(3, rng.uniform(0.2, 0.9))
        mirrored = bool(rng.random() < 0.5)
        for view in ("face-on", "down-the-line"):
            camera: Camera = draw_camera(view, rng, SIZE)
            behind = place_behind(camera, rng)
            # One swing's worth of phases, spread over it.
            phases = (np.arange(views_each) + rng.random(views_each)) * 9.0 / views_each
            for phase in phases:
                posture = draw(float(phase), habit, rng)
                for again_at in (posture, again(posture, rng)):
                    posed = pose(body, again_at)
                    vertices = skin(surface, weights, weight_bones, body, posed)
                    dressed = (vertices, mesh.normals(vertices), colours, mesh.triangles)
                    person = renderer.draw(camera, [dressed, *club(posed, length, steel)], light)
                    joints = true_joints(body, posed, marks)
                    px = camera.project(joints)
                    feet = px[[JOINTS.index("left_ankle"), JOINTS.index("right_ankle")]]
                    picture = finish(person, behind, feet, rng)
                    if mirrored:
                        picture = np.ascontiguousarray(picture[:, ::-1])
                        px = _mirror_names(px * np.array([-1.0, 1.0]) + np.array([SIZE[0], 0.0]))
                        joints = _mirror_names(joints * np.array([-1.0, 1.0, 1.0]))
                    file = str(out / f"{number:05d}.jpg")
                    cv2.imwrite(file, picture, [cv2.IMWRITE_JPEG_QUALITY, 95])
                    row = (px, joints, who, view, phase, number // 2, mirrored, camera.f_px, seed)
                    for key, value in zip(rows, row, strict=True):
                        rows[key].append(value)
                    number += 1
    np.savez(
        out / f"truth_{start:04d}.npz",
        joint_names=np.array(JOINTS),
        first=start * 4 * views_each,
        **{k: np.array(v) for k, v in rows.items()},
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--views-each", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--stop", type=int, default=100000)
    args = parser.parse_args()
    render_all(args.bodies, args.out, args.views_each, args.seed, args.start, args.stop)
