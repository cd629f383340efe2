"""Render whole swings of other bodies, with their true joints, in the layout that benches read.

    python bench/render/swings.py --bodies bodies.npz --out swings --first 0 --count 4 --seed 7

Per body one swing from both views: `swings/bodyNN/VIEW/clip_00.mp4` (MPEG-4, no sound) and `.json`
with `events`, `timestamps`, `joints2d`, `joints3d`, `camera`. Moving things are blurred over an
exposure of 1/800 s. The joints are the rig's, as in the stills; keep these bodies out of a fit.

    python bench/render/swings.py --bodies bodies.npz --out yawed --count 6 --yaw 0 10 20

With `--yaw` each body swings before a camera moved round it by so many degrees and still aimed at
it, a face-on one toward the target, a down-the-line one (`--views`) toward the ball:
`yawed/bodyNN/face-on-yaw10/clip_00.mp4`. Nothing else differs.
`--address` stops after P1, which is all that squareness is read from. `--hold P1 P7` shows each
body standing still at these positions, for the errors of joints.

In the `.json`, X is toward the target, Y from the golfer to the ball and Z up, as in the demo's.
"""

from __future__ import annotations

import argparse
import json
from functools import cached_property
from itertools import product
from pathlib import Path

import cv2
import numpy as np
from golfer import Body, Posed, pose, skin
from looks import Mesh, dress
from numpy.typing import NDArray
from picture import Camera, Renderer, draw_camera, place_behind
from rotations import unit
from scipy.interpolate import PchipInterpolator
from stills import JOINTS, SURFACE_MARKS, body_anchors, club, draw_light, true_joints
from swing_shape import key_postures, style

Array = NDArray[np.float64]

SIZE = (720, 1280)
FPS = 120.0
EXPOSURE_S = 1 / 800
SUBFRAMES = 5
HOLD_FRAMES = 24
VIEWS = ("face-on", "down-the-line")
BEFORE_IMPACT = ("P1", "P2", "P3", "P4", "P5", "P6", "P7")
FAST_M_PER_S = 1.5  # of the hands: slower, one picture a frame is enough


def key_times(rng: np.random.Generator) -> Array:
    """Times of the ten keyed postures, s; a quick or a slow swing."""
    start, back, down = 0.5, rng.uniform(0.7, 1.0), rng.uniform(0.22, 0.32)
    top = start + back
    hit = top + down
    return np.array(
        [
            start,
            start + 0.5 * back,
            start + 0.68 * back,
            top,
            top + 0.5 * down,
            top + 0.78 * down,
            hit,
            hit + 0.065,
            hit + 0.15,
            hit + rng.uniform(0.55, 0.75),
        ]
    )


class Motion:
    """A golfer's swing as a function of time."""

    def __init__(self, body: Body, rng: np.random.Generator) -> None:
        self.body = body
        self.times = key_times(rng)
        keys = key_postures(style(rng), rng)
        # The club reaches the ball at P7, and rests behind it at P1.
        hit = pose(body, keys[6])
        self.club_m = float(np.clip((hit.butt[2] - 0.02) / -hit.shaft[2], 0.85, 1.25))
        self.ball = hit.butt + hit.shaft * self.club_m
        self.ball[2] = 0.021
        rest = pose(body, keys[0])
        keys[0] = keys[0].with_shaft(unit(self.ball - rest.butt))
        table = np.array([key.numbers() for key in keys])
        # Still before P1 and after P10: hold the first and the last posture.
        at = np.r_[self.times[0] - 0.5, self.times, self.times[-1] + 1.0]
        self._curve = PchipInterpolator(at, np.vstack([table[:1], table, table[-1:]]), axis=0)
        self._like = keys[0]

    def at(self, s: float) -> Posed:
        return pose(self.body, self._like.from_numbers(self._curve(s)))

    def head(self, posed: Posed) -> Array:
        return posed.butt + posed.shaft * self.club_m

    @cached_property
    def events(self) -> dict[str, float]:
        return find_events(self)

    def lead_arm(self, posed: Posed) -> Array:
        names = self.body.names
        return posed.heads[names.index("wrist.L")] - posed.heads[names.index("upperarm01.L")]


def find_events(motion: Motion) -> dict[str, float]:
    """P1 to P10 from the motion itself, to about a millisecond."""
    t = np.arange(motion.times[0] - 0.3, motion.times[-1] + 0.3, 0.002)
    posed = [motion.at(float(s)) for s in t]
    shaft = np.array([p.shaft[2] for p in posed])
    arm = np.array([motion.lead_arm(p) for p in posed])
    lift = arm[:, 2] / np.linalg.norm(arm, axis=1)
    head = np.array([motion.head(p) for p in posed])
    speed = np.linalg.norm(np.gradient(head, t, axis=0), axis=1)
    top = int(np.argmin(np.abs(t - motion.times[3])))
    near = slice(max(top - 60, 0), top + 40)
    top = near.start + int(np.argmax(lift[near]))
    hit = int(
        np.argmin(np.where(t > motion.times[4], np.linalg.norm(head - motion.ball, axis=1), 9))
    )

    def crossing(values: Array, low: int, high: int) -> float:
        k = low + np.flatnonzero(np.sign(values[low : high - 1]) != np.sign(values[low + 1 : high]))
        if len(k) == 0:
            return float("nan")
        k0 = int(k[0])
        share = values[k0] / (values[k0] - values[k0 + 1])
        return float(t[k0] + share * (t[1] - t[0]))

    trail = np.array(
        [
            p.heads[motion.body.names.index("wrist.R")]
            - p.heads[motion.body.names.index("upperarm01.R")]
            for p in posed
        ]
    )[:, 2]
    away = int(np.flatnonzero(speed > 0.30)[0])
    still = np.flatnonzero(speed[:away] < 0.05)
    late = np.flatnonzero(speed > 0.30)
    return {
        "P1": float(t[still[-1]]),
        "P2": crossing(shaft, 0, top),
        "P3": crossing(lift, 0, top),
        "P4": float(t[top]),
        "P5": crossing(lift, top, hit),
        "P6": crossing(shaft, top + int(np.argmax(shaft[top:hit])), hit),
        "P7": float(t[hit]),
        "P8": crossing(shaft, hit, len(t)),
        "P9": crossing(trail, hit, len(t)),
        "P10": float(t[late[-1]]),
    }


def _truth(body: Body, posed: Posed, marks: dict[str, Array], motion: Motion) -> dict[str, Array]:
    """Joints by lead and trail name (this golfer plays right-handed: left leads)."""
    points = dict(zip(JOINTS, true_joints(body, posed, marks), strict=True))
    role = {"left": "lead", "right": "trail"}
    named = {}
    for name, point in points.items():
        side, _, part = name.partition("_")
        named[f"{part}_{role[side]}" if side in role else name] = point
    named["mid_shoulder"] = (named["shoulder_lead"] + named["shoulder_trail"]) / 2
    named["mid_pelvis"] = (named["hip_lead"] + named["hip_trail"]) / 2
    named["grip_butt"] = posed.butt
    named["grip_mid"] = posed.butt + posed.shaft * 0.1
    named["clubhead"] = named["hosel"] = motion.head(posed)
    named["ball"] = motion.ball
    return named


def render_swing(
    renderer: Renderer,
    dressed: tuple[Array, Array, Mesh, Array, Array],
    motion: Motion,
    marks: dict[str, Array],
    camera: Camera,
    light: dict[str, object],
    view: str,
    out: Path,
    rng: np.random.Generator,
    *,
    seed: int = 0,
    exposure_s: float = EXPOSURE_S,
    address_only: bool = False,
    hold: str = "",
) -> None:
    surface, colours, mesh, weights, weight_bones = dressed
    events = motion.events
    times = np.arange(0.0, motion.times[-1] + 0.5, 1 / FPS)
    if hold:  # the one posture, for as long as a smoother looks
        held, times = motion.at(events[hold]), np.arange(HOLD_FRAMES) / FPS
        events = {hold: float(times[len(times) // 2])}
    if address_only:
        times = times[times <= events["P1"] + 1 / FPS]
    behind = place_behind(camera, rng) * 0.9
    steel = np.full(3, rng.uniform(0.4, 0.9))
    truth2: dict[str, list[list[float]]] = {}
    truth3: dict[str, list[list[float]]] = {}
    out.mkdir(parents=True, exist_ok=True)
    video = cv2.VideoWriter(
        str(out / "clip_00.mp4"),
        cv2.VideoWriter.fourcc(*"mp4v"),
        FPS,
        (camera.width, camera.height),
    )
    ball = camera.project(motion.ball)
    last = None
    person = None
    for s in times:
        middle = held if hold else motion.at(float(s))
        still = person is not None and (hold != "" or s <= motion.times[0])
        hands = middle.butt
        moving = last is not None and np.linalg.norm(hands - last) * FPS > FAST_M_PER_S
        last = hands
        offsets = np.linspace(-0.5, 0.5, SUBFRAMES) * exposure_s if moving else np.zeros(1)
        total = np.zeros((camera.height, camera.width, 4))
        for offset in () if still else offsets:
            posed = motion.at(float(s + offset)) if moving else middle
            vertices = skin(surface, weights, weight_bones, motion.body, posed)
            parts = [(vertices, mesh.normals(vertices), colours, mesh.triangles)]
            total += renderer.draw(camera, [*parts, *club(posed, motion.club_m, steel)], light)
        person = person if still else total / len(offsets) / 255.0
        picture = behind * (1 - person[..., 3:]) + person[..., :3]
        if hold in BEFORE_IMPACT if hold else s <= events["P7"]:
            cv2.circle(picture, (round(ball[0]), round(ball[1])), 5, (0.95, 0.95, 0.95), -1)
        picture = picture + rng.normal(0, 0.012, picture.shape)
        video.write((np.clip(picture, 0, 1)[..., ::-1] * 255).astype(np.uint8))
        for name, point in _truth(motion.body, middle, marks, motion).items():
            shared = point * np.array([1.0, -1.0, 1.0])  # the golfer here looks along -Y
            truth3.setdefault(name, []).append(np.round(shared, 4).tolist())
            truth2.setdefault(name, []).append(np.round(camera.project(point), 2).tolist())
    video.release()
    (out / "clip_00.json").write_text(
        json.dumps(
            {
                "left_handed": False,
                "lead_side": "left",
                "fps": FPS,
                "n_frames": len(times),
                "timestamps": times.tolist(),
                "events": events,
                "impact_time": events.get("P7"),
                "club_len": motion.club_m,
                "knobs": {"body": out.parent.name, "seed": int(seed)},
                "camera": {
                    "view": view,
                    "sign_u": 1.0,
                    "fx": camera.f_px,
                    "width": camera.width,
                    "height_px": camera.height,
                    "place": (camera.place * np.array([1.0, -1.0, 1.0])).tolist(),
                    "turn": camera.turn.tolist(),
                    "shutter": exposure_s,
                },
                "meta": {"golfer": {"stature": float(np.ptp(surface[:, 2]))}},
                "joints2d": truth2,
                "joints3d": truth3,
            }
        )
    )


def main(args: argparse.Namespace) -> None:
    data = np.load(args.bodies)
    names = tuple(str(n) for n in data["bones"])
    weights, weight_bones = data["weights"].astype(float), data["weight_bones"]
    mesh = Mesh(data["triangles"], [names[k] for k in weight_bones[:, 0]])
    mark_names = [str(n) for n in data["mark_names"]]
    renderer = Renderer(SIZE)
    for k in range(args.first, args.first + args.count):
        rng = np.random.default_rng([args.seed, k])
        body = Body(
            names=names,
            parents=tuple(int(p) for p in data["parents"]),
            heads=data["heads"][k].astype(float),
        )
        marks = {n: data["marks"][k][mark_names.index(n)].astype(float) for n in SURFACE_MARKS}
        surface, colours = dress(
            mesh,
            data["vertices"][k].astype(float),
            body_anchors(body),
            data["lips"],
            data["eyelids"],
            rng,
        )
        motion, light = Motion(body, rng), draw_light(rng)
        dressed = (surface, colours, mesh, weights, weight_bones)
        folder = args.out / f"body{k:02d}"
        if args.yaw is not None:
            for view, yaw in product(args.views, args.yaw):
                # The same place and lens, however far round.
                again = np.random.default_rng([args.seed, k, int(view == "face-on")])
                camera = draw_camera(view, again, SIZE, yaw_deg=yaw)
                beside = folder / f"{view}-yaw{yaw:.0f}"
                render_swing(
                    *(renderer, dressed, motion, marks, camera, light, view, beside, again),
                    seed=args.seed,
                    exposure_s=args.exposure,
                    address_only=args.address,
                )
            continue
        for view, hold in product(VIEWS, args.hold or ("",)):
            if hold:
                again = np.random.default_rng([args.seed, k, view == "face-on"])
                camera = draw_camera(view, again, SIZE)
                there = folder / f"{view}-{hold}"
                render_swing(
                    *(renderer, dressed, motion, marks, camera, light, view, there, again),
                    seed=args.seed,
                    hold=hold,
                )
                continue
            camera = draw_camera(view, rng, SIZE)
            render_swing(
                *(renderer, dressed, motion, marks, camera, light, view, folder / view, rng),
                seed=args.seed,
                exposure_s=args.exposure,
            )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bodies", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=4)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--yaw", type=float, nargs="+", help="this far off square, deg")
    parser.add_argument("--views", nargs="+", choices=VIEWS, default=VIEWS[:1], help="with --yaw")
    parser.add_argument("--address", action="store_true", help="with --yaw: stop after P1")
    parser.add_argument("--hold", nargs="+", help="positions to stand still at")
    parser.add_argument("--exposure", type=float, default=EXPOSURE_S, help="s, per frame")
    main(parser.parse_args())
