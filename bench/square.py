"""How truly a camera off square is told: by feet, by feet and ball, and by a stick on the line.

    python bench/render/swings.py --bodies B.npz --out yawed --count 24 --seed 9 --address \\
        --yaw -10 0 10 20
    python bench/square.py yawed [--cache FOLDER]

Each golfer stands at address before a camera that goes round them; the camera's true place is in
the clip's file, and nothing else of it is told to the check. Body and joints come from the
networks; the ball's place is given, and roll and tilt are read off a drawn horizon, since the
renderer's places are level whatever the camera does. A renderer's golfer aims truly, so each golfer
is also given an aim by chance (`AIM_SD_DEG`: the camera and the line of play turned against the
golfer) and a place of the ball by chance (`BALL_SD_CM`), as the check takes players to differ:
without them the check would look surer than it is. The stick lies on the true target line, with
clicks of 1.5 px noise.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import xarray as xr

from lessonmark.measures.camera import check_camera
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.registry import entry
from lessonmark.measures.scale import find_scale
from lessonmark.measures.seen import BallSeen, SwingSeen
from lessonmark.media.frames import read_frame_nearest, read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.positions.times import SwingPositions
from lessonmark.tracks.anatomy import to_joint_centres
from lessonmark.tracks.body import BodyTracker
from lessonmark.tracks.dataset import body_dataset, read_track, write_track
from lessonmark.tracks.refined import refine_joints
from lessonmark.tracks.refiner import JointRefiner
from lessonmark.tracks.sides import by_lead_trail
from lessonmark.words import Position, View
from measures_truth import TrueClip, find_clips

AIM_SD_DEG = 4.0  # of players' feet against the target; common practice, no source
BALL_SD_CM = 5.0  # of where players play one club's ball; common practice, no source
CLICK_PX = 1.5
STICK_M = (-0.5, 0.7)  # along the target line
STICK_OUT_M = 0.12  # beyond the ball
MEASURES = ("trunk_lean", "shoulder_tilt", "pelvis_tilt", "side_bend", "lead_knee_flex")


@dataclass(frozen=True)
class Told:
    """What one way of looking says of one clip."""

    true: float  # deg
    found: float
    se: float
    said_off: bool


def camera_yaw(clip: TrueClip, at: Position = Position.P1) -> float:
    """The camera's true place round the hips, in the catalogue's sign, deg."""
    points = clip.true_figure(at).points
    hips = (points["lead_hip"] + points["trail_hip"]) / 200
    x, y = (clip.on_line(np.array(clip.json["camera"]["place"])) - hips)[:2]
    if clip.view is View.FACE_ON:
        return -float(np.degrees(np.arctan2(x, y)))
    return -float(np.degrees(np.arctan2(y, -x)))


def by_chance(clip: TrueClip, rng: np.random.Generator, golfer: int = 1) -> TrueClip:
    """The same golfer with an aim and a place of the ball as the check takes players to differ."""
    aim, ahead = rng.normal(0, AIM_SD_DEG), rng.normal(0, BALL_SD_CM)
    points = {n: p / 100 for n, p in clip.true_figure(Position.P1).points.items()}
    feet = (points["lead_ankle"] + points["trail_ankle"]) / 2
    usual = 3.0 + 0.45 * max(100 * clip.json["club_len"] - 90.0, 0.0)  # the check's middle player
    # The ball lies on the target line, which the golfer is `aim` away from.
    ball = feet + np.array([(usual + ahead) / 100, points["ball"][1] - feet[1], 0.0])
    ball[2] = 0.021
    x, y, z = turned(ball, feet, aim).tolist()
    return replace(clip, aim_deg=aim, ball_at=(x, y, z), golfer=golfer)


def tracked(clip: TrueClip, cache: Path, tracker: BodyTracker) -> xr.Dataset:
    file = cache / f"{clip.name.replace('/', '__')}.address.nc"
    if not file.exists():
        info = probe_clip(clip.path.with_suffix(".mp4"))
        raw = tracker.track(lambda: read_frames(info))
        body = body_dataset(raw, clip=info, view=clip.view, handedness=clip.handedness)
        joints = refine_joints(
            lambda a, b: read_frames(info, start_s=a, stop_s=b),
            to_joint_centres(body, clip.view),
            refiner=JointRefiner(),
            spans=[(0.0, clip.json["events"]["P1"])],
        )
        write_track(joints, file)
    return by_lead_trail(read_track(file), clip.handedness)


def project(clip: TrueClip, points: np.ndarray) -> np.ndarray:
    """Points (n, 3) m in the file's axes to px."""
    camera = clip.json["camera"]
    # The renderer's golfer looks along -Y.
    local = (points - np.array(camera["place"])) * np.array([1.0, -1.0, 1.0])
    local = local @ np.array(camera["turn"]).T
    middle = np.array([camera["width"], camera["height_px"]]) / 2
    return local[:, :2] / local[:, 2:] * camera["fx"] + middle


def seen(clip: TrueClip, track: xr.Dataset) -> SwingSeen:
    true = clip.positions()
    swing = clip.swing(
        track,
        positions=SwingPositions(found={Position.P1: true.found[Position.P1]}),
        ball=ball_seen(clip),
    )
    return replace(swing, scale=find_scale(swing, stature_cm=clip.stature_cm))


def ball_seen(clip: TrueClip) -> BallSeen:
    """Where the ball of a golfer `by_chance` lies in the picture."""
    x, y = project(clip, np.array([clip.ball_at]))[0].tolist()
    return BallSeen(x=x, y=y, se_px=1.0)


def turned(point: np.ndarray, about: np.ndarray, deg: float) -> np.ndarray:
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    x, y, z = point - about
    return about + np.array([c * x - s * y, s * x + c * y, z])


def with_horizon(clip: TrueClip, image: np.ndarray) -> np.ndarray:
    """Put a plain place with its horizon where the camera's tilt and roll have it.

    The renderer draws what is behind the golfer level, however the camera is held: roll and pitch
    cannot be read off that.
    """
    height, width = image.shape
    turn, focal = np.array(clip.json["camera"]["turn"]), clip.json["camera"]["fx"]
    ahead = turn[2] * np.array([1.0, 1.0, 0.0])
    side = np.cross(ahead, [0.0, 0.0, 1.0])
    rays = np.array([ahead - 0.2 * side, ahead + 0.2 * side]) @ turn.T
    (x0, y0), (x1, y1) = rays[:, :2] / rays[:, 2:] * focal + np.array([width, height]) / 2
    x, y = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
    edge = y0 + (x - x0) * (y1 - y0) / (x1 - x0)
    rough = np.random.default_rng(1).normal(0, 12, image.shape)
    return np.clip(np.where(y > edge, 90.0, 170.0) + rough, 0, 255).astype(np.uint8)


def same(image: np.ndarray, s: float) -> np.ndarray:
    """The one frame that is looked at, whatever the time."""
    return image


def true_stick(clip: TrueClip, rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    """A stick beyond the ball along the target line, its ends as a coach clicks them, px."""
    ball = np.array(clip.ball_at or clip.json["joints3d"]["ball"][0])
    ends = [ball + np.array([x, STICK_OUT_M, -ball[2]]) for x in STICK_M]
    ends = [turned(end, ball, clip.aim_deg) for end in ends]
    px = project(clip, np.array(ends)) + rng.normal(0, CLICK_PX, (2, 2))
    return tuple((float(x), float(y)) for x, y in px)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("clips", type=Path)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "bench-square")
    parser.add_argument("--each", action="store_true", help="print every clip")
    options = parser.parse_args()
    options.cache.mkdir(parents=True, exist_ok=True)
    tracker = BodyTracker()
    told: dict[str, list[Told]] = {}
    errors: dict[tuple[str, str, int], list[tuple[float, float]]] = {}
    for clip in find_clips(options.clips):
        # One golfer's own aim and ball, the same before every camera.
        rng = np.random.default_rng([3, int(clip.path.parts[-3].removeprefix("body"))])
        track = tracked(clip, options.cache, tracker)
        clip = by_chance(clip, rng)
        stick = true_stick(clip, rng)
        club_cm = 100 * clip.json["club_len"]
        # A camera that went round by as much as the line of play is turned is square to it.
        yaw = camera_yaw(clip)
        swing = seen(clip, track)
        info = probe_clip(clip.path.with_suffix(".mp4"))
        s = swing.positions[Position.P1].time.s
        image = with_horizon(clip, read_frame_nearest(info, s, grey=True).image)
        ways = {
            "feet": (replace(swing, ball=None), None),
            "feet and ball": (swing, None),
            "stick": (swing, stick),
        }
        for way, (one, laid) in ways.items():
            camera = check_camera(one, partial(same, image), stick=laid, club_cm=club_cm)
            if camera.yaw_deg is None:
                continue
            off = "Square: no" in camera.lines[1] or "probably not" in camera.lines[1]
            if options.each:
                print(
                    way,
                    clip.name,
                    f"{yaw:.1f} {camera.yaw_deg:.1f} {camera.yaw_se_deg:.1f} {camera.yaw_from}",
                )
            told.setdefault(way, []).append(Told(yaw, camera.yaw_deg, camera.yaw_se_deg, off))
            measured, _ = measure_swing(replace(one, camera=camera), only=MEASURES)
            for key, got in measured.items():
                at = MeasureAt.parse(key)
                truth = clip.true_value(entry(at.measure), at.position)
                group = errors.setdefault((at.measure, way, round(abs(yaw) / 10)), [])
                group.append((got.value - truth, got.total_se))
    print_told(told)
    print_errors(errors)


def print_told(told: dict[str, list[Told]]) -> None:
    print("| told by | camera off by | n | bias | RMS error | stated se | in 95 % | said off |")
    print("| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: |")
    bands = ((0, 5), (5, 9), (9, 14), (14, 30))
    for way, found in told.items():
        for low, high in (*bands, (0, 90)):
            here = [one for one in found if low <= abs(one.true) < high]
            if not here:
                continue
            wrong = np.array([one.found - one.true for one in here])
            se = np.array([one.se for one in here])
            print(
                f"| {way} | {low} to {high} deg | {len(here)} | {wrong.mean():+.1f} | "
                f"{np.sqrt((wrong**2).mean()):.1f} | {np.median(se):.1f} | "
                f"{100 * np.mean(np.abs(wrong) < 1.96 * se):.0f} % | "
                f"{100 * np.mean([one.said_off for one in here]):.0f} % |"
            )


def print_errors(errors: dict[tuple[str, str, int], list[tuple[float, float]]]) -> None:
    print("\n| measure at P1 | camera off by about | told by | n | bias | RMS | in 95 % |")
    print("| --- | --- | --- | ---: | ---: | ---: | ---: |")
    for (measure, way, tens), found in sorted(errors.items()):
        wrong, se = np.array(found).T
        print(
            f"| {measure} | {10 * tens} deg | {way} | {len(found)} | {wrong.mean():+.2f} | "
            f"{np.sqrt((wrong**2).mean()):.2f} | {100 * np.mean(np.abs(wrong) < 1.96 * se):.0f} % |"
        )


if __name__ == "__main__":
    main()
