"""Render crops of many golfers, with the blur of an open shutter, to train the joint refiner on.

    python bench/render/crops.py --bodies bodies.npz --out crops --seeds 21 22 23 --each 5 --jobs 16

Writes `crops/pictures.npy` (still, SIDE, SIDE, 3) RGB and `crops/truth.npz`: px (still, joint, 2)
in the crop, deep (still, joint) px of the crop that a joint lies farther along the ray to the hips
than they, joint_names by body side, body, view, pair, phase, and the numbers of the pictures made.
Every golfer plays right-handed. Bodies, clothes, places, cameras and postures are those of
`stills.py`; what is new is that the player goes on moving while the shutter is open, and that only
the part of the picture about the player is kept.
"""

from __future__ import annotations

import argparse
import functools
import multiprocessing
import time
from pathlib import Path

import cv2
import numpy as np
from golfer import Body, pose, skin
from looks import Mesh, dress
from numpy.typing import NDArray
from picture import Camera, Renderer, draw_camera, finish, place_behind
from stills import JOINTS, SIZE, SURFACE_MARKS, body_anchors, club, draw_light, true_joints
from swing_shape import Posture, again, carry, draw, style

Array = NDArray[np.float64]

SIDE = 288  # px of the kept crop
ACROSS = 4.5  # body sizes across it
# Phases a second of a full swing: back, down, through, to the finish.
RATE_AT = (0.0, 3.0, 3.5, 6.0, 8.0, 9.0)
RATE = (3.3, 2.0, 8.0, 12.0, 12.0, 2.0)
SHUTTER_S = (1 / 3000, 1 / 90)
STEP_PHASE = 0.012  # one picture of the blur for each such part of a phase
PICTURES_MOST = 6
MARGIN_PX = 12  # about the crop, for the wear of the picture
WRITE_EVERY = 32  # parts
KEYS = ("number", "px", "deep", "body", "view", "pair", "phase")


def body_px(joints_px: Array, joints_m: Array, f_px: float, depth_m: Array) -> float:
    """The body's size in the picture as `tracks.anatomy.body_size` takes it, from true joints."""
    at = {name: joints_m[JOINTS.index(name)] for name in JOINTS}
    middle = {part: (at[f"left_{part}"] + at[f"right_{part}"]) / 2 for part in ("shoulder", "hip")}
    squares = ((middle["shoulder"] - middle["hip"]) ** 2).sum()
    for side in ("left", "right"):
        squares += ((at[f"{side}_hip"] - at[f"{side}_knee"]) ** 2).sum()
        squares += ((at[f"{side}_knee"] - at[f"{side}_ankle"]) ** 2).sum()
    return float(np.sqrt(squares / 5) * f_px / depth_m.mean())


def deeper(camera: Camera, joints: Array, size_px: float) -> Array:
    """How much farther than the hips each joint is along the ray to them, body sizes (joint,)."""
    local = (joints - camera.place) @ camera.turn.T
    hips = (local[JOINTS.index("left_hip")] + local[JOINTS.index("right_hip")]) / 2
    away = float(np.linalg.norm(hips))
    return (local - hips) @ (hips / away) / (size_px * away / camera.f_px)


def about_player(scale: float, middle: Array) -> tuple[slice, slice]:
    """Rows and columns of the picture that the crop shows, and a margin."""
    half = SIDE / 2 / scale + MARGIN_PX
    low = np.clip(np.floor(middle - half), 0, np.array(SIZE) - 2 * MARGIN_PX).astype(int)
    high = np.clip(np.ceil(middle + half), low + 2 * MARGIN_PX, SIZE).astype(int)
    return slice(low[1], high[1]), slice(low[0], high[0])


@functools.cache
def people_in(bodies: Path) -> dict[str, Array]:
    """The bodies' file, read once a process."""
    with np.load(bodies) as data:
        return {name: data[name] for name in data.files}


@functools.cache
def renderer() -> Renderer:
    return Renderer(SIZE)


def moments(posture: Posture, phase: float, rng: np.random.Generator) -> list[Posture]:
    """The postures while the shutter is open, the middle one being `posture`."""
    shutter = float(np.exp(rng.uniform(*np.log(SHUTTER_S))))
    swept = shutter * float(np.interp(phase, RATE_AT, RATE))
    count = int(np.clip(np.ceil(swept / STEP_PHASE), 1, PICTURES_MOST))
    if count == 1:
        return [posture]
    return [carry(posture, phase, step) for step in np.linspace(-swept / 2, swept / 2, count)]


def render_some(job: tuple[Path, Path, int, int, int, int, int]) -> tuple[int, dict[str, Array]]:
    bodies, out, seed, start, stop, each, first = job
    cv2.setNumThreads(1)
    data = people_in(bodies)
    names = tuple(str(n) for n in data["bones"])
    parents = tuple(int(p) for p in data["parents"])
    weights, weight_bones = data["weights"].astype(float), data["weight_bones"]
    mesh = Mesh(data["triangles"], [names[k] for k in weight_bones[:, 0]])
    rest = data["vertices"]
    heads, marks_all = data["heads"], data["marks"]
    lips, eyelids = data["lips"], data["eyelids"]
    mark_names = [str(n) for n in data["mark_names"]]
    draw_parts = renderer().draw
    pictures = np.lib.format.open_memmap(out / "pictures.npy", mode="r+")
    rows: dict[str, list[object]] = {k: [] for k in KEYS}
    number = first
    for k in range(start, min(stop, len(rest))):
        rng = np.random.default_rng([seed, k])
        body = Body(names=names, parents=parents, heads=heads[k].astype(float))
        marks = {n: marks_all[k][mark_names.index(n)].astype(float) for n in SURFACE_MARKS}
        surface, colours = dress(
            mesh, rest[k].astype(float), body_anchors(body), lips, eyelids, rng
        )
        habit, light = style(rng), draw_light(rng)
        length, steel = float(rng.uniform(0.88, 1.15)), np.full(3, rng.uniform(0.2, 0.9))
        for view in ("face-on", "down-the-line"):
            camera = draw_camera(view, rng, SIZE)
            behind = place_behind(camera, rng)
            for phase in (np.arange(each) + rng.random(each)) * 9.0 / each:
                posture = draw(float(phase), habit, rng)
                for again_at in (posture, again(posture, rng)):
                    shots = []
                    for moment in moments(again_at, float(phase), rng):
                        posed = pose(body, moment)
                        vertices = skin(surface, weights, weight_bones, body, posed)
                        dressed = (vertices, mesh.normals(vertices), colours, mesh.triangles)
                        parts = [dressed, *club(posed, length, steel)]
                        shots.append(draw_parts(camera, parts, light).astype(np.float32))
                    person = np.mean(shots, axis=0)
                    joints = true_joints(body, pose(body, again_at), marks)
                    px = camera.project(joints)
                    depth = (joints - camera.place) @ camera.turn[2]
                    size = body_px(px, joints, camera.f_px, depth)
                    feet = px[[JOINTS.index("left_ankle"), JOINTS.index("right_ankle")]]
                    middle = px[[JOINTS.index("left_hip"), JOINTS.index("right_hip")]].mean(0)
                    scale = SIDE / (ACROSS * size)
                    down, across = about_player(scale, middle)
                    origin = np.array([across.start, down.start], float)
                    part = finish(person[down, across], behind[down, across], feet - origin, rng)
                    move = np.array([[scale, 0.0, SIDE / 2], [0.0, scale, SIDE / 2]], dtype=float)
                    move[:, 2] -= scale * middle
                    # Pixel centres at half: what warpAffine counts from 0 is moved by a half.
                    shift = move.copy()
                    shift[:, 2] += 0.5 * scale - 0.5 + scale * origin
                    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
                    pictures[number] = cv2.warpAffine(
                        part[..., ::-1],
                        shift,
                        (SIDE, SIDE),
                        flags=how,
                        borderMode=cv2.BORDER_REPLICATE,
                    )
                    deep = deeper(camera, joints, size) * SIDE / ACROSS
                    place = px * scale + move[:, 2]
                    row = (number, place, deep, k, view, number // 2, phase)
                    for key, value in zip(rows, row, strict=True):
                        rows[key].append(value)
                    number += 1
    return first, {key: np.array(value) for key, value in rows.items()}


def write_truth(out: Path, found: list[tuple[int, dict[str, Array]]]) -> None:
    """Write what is known of the pictures made so far; whole or not at all."""
    rows = [part for _, part in sorted(found, key=lambda part: part[0])]
    joined = {key: np.concatenate([part[key] for part in rows]) for key in rows[0]}
    beside = out / "truth.part.npz"
    np.savez(beside, joint_names=np.array(JOINTS), **joined)
    beside.replace(out / "truth.npz")


def main(args: argparse.Namespace) -> None:
    args.out.mkdir(parents=True, exist_ok=True)
    with np.load(args.bodies) as data:
        people = len(data["heads"])
    people = min(people, args.people)
    each_person = 4 * args.each
    total = len(args.seeds) * people * each_person
    np.lib.format.open_memmap(
        args.out / "pictures.npy", mode="w+", dtype=np.uint8, shape=(total, SIDE, SIDE, 3)
    ).flush()
    jobs = []
    for s, seed in enumerate(args.seeds):
        for start in range(0, people, 4):
            first = (s * people + start) * each_person
            stop = min(start + 4, people)
            jobs.append((args.bodies, args.out, seed, start, stop, args.each, first))
    np.random.default_rng(0).shuffle(jobs)  # a run cut short has something of everything
    found, began = [], time.monotonic()
    with multiprocessing.get_context("spawn").Pool(args.jobs) as pool:
        for done, part in enumerate(pool.imap_unordered(render_some, jobs)):
            found.append(part)
            if (done + 1) % WRITE_EVERY == 0:
                write_truth(args.out, found)  # a training that runs beside takes them up
                print(f"{done + 1} of {len(jobs)} parts", flush=True)
            if time.monotonic() - began > args.limit_s:
                pool.terminate()
                break
    write_truth(args.out, found)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seeds", type=int, nargs="+", default=[21, 22, 23])
    parser.add_argument("--each", type=int, default=10)
    parser.add_argument("--people", type=int, default=10**6)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--limit-s", type=float, default=1e9, help="stop rendering after this")
    main(parser.parse_args())
