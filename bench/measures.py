"""Every measure at every position on every clip with truth: bias, RMS error, coverage, worst.

    python bench/measures.py CLIPS [--positions found|true] [--tracks real|truth] [--cache FOLDER]
    python bench/measures.py yawed --golfers 4 [--stick]

CLIPS is a folder of clips with a truth file (`.json`) beside each. The truth is the measure's own
function of the true joints, dropped square on the view's plane, in cm; the functions themselves
are held against the clips' own projected numbers first, which were computed elsewhere. Scale, roll
and the camera's place come from the clips (stature and club length as declared), nothing of them
from the truth. `--pictures FOLDER` draws the worst case of every measure (`measures_sheet.py`).
With `--golfers N` each clip of our own renderer is read N times, each time for a golfer with an aim
and a place of the ball by chance, as in `square.py`: its golfers all aim and play the ball alike.
"""

from __future__ import annotations

import argparse
import csv
import tempfile
from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import xarray as xr

from lessonmark.errors import CannotMeasure
from lessonmark.measures.camera import check_camera
from lessonmark.measures.facing import with_facing
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.posture import Posture
from lessonmark.measures.registry import catalogue, entry
from lessonmark.measures.scale import find_scale
from lessonmark.measures.seen import SwingSeen
from lessonmark.measures.two_view import measure_pair
from lessonmark.media.frames import read_frame_nearest, read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.media.sound import read_sound
from lessonmark.media.strike import correct_for_distance, find_strikes
from lessonmark.positions.find import find_positions
from lessonmark.positions.swings import find_swings
from lessonmark.tracks.anatomy import to_joint_centres
from lessonmark.tracks.body import BodyTracker
from lessonmark.tracks.club import track_club
from lessonmark.tracks.dataset import body_dataset, read_track, write_track
from lessonmark.tracks.refined import refine_joints
from lessonmark.tracks.refiner import JointRefiner
from lessonmark.tracks.sides import by_lead_trail
from lessonmark.words import Position, View
from measures_cameras import print_cameras, print_off_square
from measures_sheet import write_sheets
from measures_truth import TrueClip, find_clips, ours
from square import ball_seen, by_chance, true_stick, with_horizon

AIM_DEG, AIM_CM = 3.0, 2.0
POSITIONS_OF_TABLE = ("P1", "P4", "P6", "P7", "P8")


@dataclass(frozen=True)
class Row:
    """One reading against its truth."""

    clip: str
    view: str
    at: MeasureAt
    value: float
    se: float
    systematic: float
    truth: float

    @property
    def error(self) -> float:
        change = self.value - self.truth
        if entry(self.at.measure).unit == "deg":
            change = (change + 180.0) % 360.0 - 180.0
        return change

    @property
    def covered(self) -> bool:
        return abs(self.error) <= 1.96 * np.hypot(self.se, self.systematic)


def tracked(clip: TrueClip, cache: Path) -> xr.Dataset:
    """The real track of a clip, body and club, from the cache where it is there."""
    stem = clip.name.replace("/", "__")
    body_file, club_file = cache / f"{stem}.nc", cache / f"{stem}.centres.nc"
    info = probe_clip(clip.path.with_suffix(".mp4"))
    if not body_file.exists():
        raw = TRACKER().track(lambda: read_frames(info))
        body = body_dataset(raw, clip=info, view=clip.view, handedness=clip.handedness)
        write_track(body, body_file)
    if not club_file.exists():
        network = read_track(body_file)
        body = to_joint_centres(network, clip.view)
        spans = find_swings(body, strikes_s=[s.s for s in strikes(info)])
        body = refine_joints(
            lambda a, b: read_frames(info, start_s=a, stop_s=b),
            body,
            refiner=JointRefiner(),
            spans=[(s.start_s, s.stop_s) for s in spans],
        )
        club = track_club(
            lambda a, b: read_frames(info, start_s=a, stop_s=b, grey=True),
            body,
            clip=info,
            view=clip.view,
            handedness=clip.handedness,
            club_length_cm=100 * clip.json["club_len"],
            px_per_cm=None,
            spans=[(s.start_s, s.stop_s) for s in spans],
        )
        facing = with_facing(club.track, network, clip.view, clip.handedness)
        write_track(facing, club_file)
    return by_lead_trail(read_track(club_file), clip.handedness)


_TRACKER: list[BodyTracker] = []


def TRACKER() -> BodyTracker:  # noqa: N802
    if not _TRACKER:
        _TRACKER.append(BodyTracker())
    return _TRACKER[0]


def strikes(info):
    sound = read_sound(info)
    return find_strikes(sound) if sound is not None else ()


def seen(clip: TrueClip, options: argparse.Namespace) -> SwingSeen:
    """A swing as the product sees it, or with its positions or its track given."""
    info = probe_clip(clip.path.with_suffix(".mp4"))
    real = options.tracks == "real"
    track = tracked(clip, options.cache) if real else clip.true_track(noise_px=1.0)
    given = {"ball": ball_seen(clip)} if clip.ball_at else {}
    swing = clip.swing(track, scatter=None if real else 0.0, **given)
    swing = replace(swing, scale=find_scale(swing, stature_cm=clip.stature_cm))
    if options.positions == "found":
        spans = find_swings(track, strikes_s=[s.s for s in strikes(info)])
        heard = [correct_for_distance(s, 4.5, 20.0, distance_se_m=1.2) for s in strikes(info)]
        positions = find_positions(
            track,
            spans[0],
            view=clip.view,
            sign_target=clip.toward,
            strikes=heard,
            px_per_m=swing.scale.px_per_cm * 100 if swing.scale else None,
        )
        swing = replace(swing, positions=positions)

    def look(s: float) -> np.ndarray:
        image = read_frame_nearest(info, s, grey=True).image
        # Our own renderer's places are level whatever the camera does.
        return with_horizon(clip, image) if "turn" in clip.json["camera"] else image

    stick = true_stick(clip, np.random.default_rng([4, clip.golfer])) if options.stick else None
    camera = check_camera(
        swing,
        look,
        stick=stick,
        club_cm=100 * clip.json["club_len"],
    )
    swing = replace(swing, camera=camera)
    scale = find_scale(swing, stature_cm=clip.stature_cm, club_cm=100 * clip.json["club_len"])
    return replace(swing, scale=scale)


def rows_of(clip: TrueClip, swing: SwingSeen) -> tuple[list[Row], dict[str, str]]:
    measured, refused = measure_swing(swing)
    rows = []
    for key, got in measured.items():
        at = MeasureAt.parse(key)
        truth = clip.true_value(entry(at.measure), at.position)
        if truth is not None:
            rows.append(
                Row(clip.label, clip.view.value, at, got.value, got.se, got.systematic, truth)
            )
    return rows, {key: why.reason for key, why in refused.items()}


def check_functions(clips: list[TrueClip]) -> float:
    """Largest difference to the clips' own projected angles, deg, on the true points."""
    worst = 0.0
    for clip in clips:
        if "positions" not in clip.json:
            continue
        start = Posture.of(_image_posture(clip, Position.P1)[0], view=clip.view)
        for e in catalogue():
            if e.at is None or e.unit != "deg" or clip.view not in e.views:
                continue
            for position in e.positions_from(clip.view):
                said = clip.drawn_value(e.id, position)
                if said is None:
                    continue
                points, shaft = _image_posture(clip, position)
                posture = Posture.of(points, view=clip.view, shaft_deg=shaft, start=start)
                try:
                    got = e.at(posture)
                except CannotMeasure:
                    continue  # seen end on: the clip's file gives a number all the same
                worst = max(worst, abs((got - said + 180) % 360 - 180))
    return worst


def _image_posture(clip: TrueClip, position: Position) -> tuple[dict[str, np.ndarray], float]:
    joints = clip.json["positions"][position.value]["joints2d"]
    points = {ours(n): np.array([clip.toward * p[0], -p[1]]) for n, p in joints.items()}
    shaft = points["hosel"] - points["grip_butt"]
    return points, float(np.degrees(np.arctan2(shaft[1], shaft[0])))


def summary(rows: list[Row]) -> str:
    errors = np.array([r.error for r in rows])
    inside = np.mean([r.covered for r in rows])
    worst = max(rows, key=lambda r: abs(r.error))
    se = np.median([r.se for r in rows])
    system = np.median([r.systematic for r in rows])
    return (
        f"{len(rows):4d} {errors.mean():7.2f} {np.sqrt((errors**2).mean()):7.2f} "
        f"{100 * inside:5.0f} % {se:6.2f} {system:6.2f} {worst.error:8.1f}  "
        f"{worst.clip}{'' if worst.at.position is None else ' ' + worst.at.position.value}"
    )


HEAD = "                                 n    bias     RMS  inside  se   system.   worst"


def print_tables(rows: list[Row], refused: dict[str, int]) -> None:
    for view in ("face-on", "down-the-line"):
        of_view = [r for r in rows if r.view == view]
        if not of_view:
            continue
        print(f"\n{view}: all positions\n{HEAD}")
        groups = defaultdict(list)
        for r in of_view:
            groups[r.at.measure].append(r)
        for measure, group in groups.items():
            print(f"{measure:22s} {entry(measure).unit or '-':6s} {summary(group)}")
        print(f"\n{view}: at {', '.join(POSITIONS_OF_TABLE)}\n{HEAD}")
        for measure, group in groups.items():
            for p in POSITIONS_OF_TABLE:
                here = [r for r in group if r.at.position is not None and r.at.position.value == p]
                if here:
                    print(f"{measure + '@' + p:29s} {summary(here)}")
    for unit in ("deg", "cm"):
        here = [r for r in rows if entry(r.at.measure).unit == unit]
        print(f"\nall of unit {unit}: {summary(here)}")
    print("\nrefused (times):", dict(sorted(refused.items())))


def print_change(rows: list[Row]) -> None:
    """Error of a difference between two clips of one camera: what stages are compared by."""
    print("\nerrors of a clip less the mean of its set-up (what is left of them in a change)")
    print("                              n    SD   median se")
    groups = defaultdict(list)
    for r in rows:
        groups[r.view, r.at, r.clip.rpartition("/")[0].rpartition("/")[2]].append(r)
    pooled = defaultdict(list)
    for (view, at, _), group in groups.items():
        if len(group) >= 3:
            errors = np.array([r.error for r in group])
            left = (errors - errors.mean()) * np.sqrt(len(errors) / (len(errors) - 1))
            pooled[view, at.measure] += list(zip(left, [r.se for r in group], strict=True))
    for (view, measure), found in pooled.items():
        left, ses = np.array(found).T
        print(
            f"{view:14s} {measure:18s} {len(left):4d} {np.sqrt((left**2).mean()):6.2f} "
            f"{np.median(ses):6.2f}"
        )


def print_pairs(swings: list[tuple[TrueClip, SwingSeen]]) -> None:
    """Two-camera measures of every pair of clips that show one swing."""
    pairs = defaultdict(dict)
    for clip, swing in swings:
        same = (clip.json["impact_time"], str(clip.json["knobs"]))
        if "yaw" not in clip.name or clip.view is not View.FACE_ON:
            pairs[same][clip.view] = (clip, swing)
    solid = [e for e in catalogue() if e.solid is not None]
    errors = defaultdict(list)
    for both in pairs.values():
        if len(both) < 2:
            continue
        (clip, front), (_, side) = both[View.FACE_ON], both[View.DOWN_THE_LINE]
        got, _ = measure_pair(front, side, club_cm=100 * clip.json["club_len"])
        for e in solid:
            for position in Position:
                value = got.get(f"{e.id}@{position}")
                if value is None:
                    continue
                wrong = (value.value - e.solid(clip.true_figure(position)) + 180) % 360 - 180
                errors[e.id].append((position.value, wrong, value.se, value.total_se))
    if not errors:
        return
    print(f"\ntwo cameras, {sum(len(both) == 2 for both in pairs.values())} pairs, deg")
    print("                         n    bias     RMS  inside   se   total   bias at P1 ... P10")
    for id, found in errors.items():
        wrong = np.array([f[1] for f in found])
        inside = np.mean([abs(f[1]) < 1.96 * f[3] for f in found])
        at = " ".join(
            f"{np.mean([f[1] for f in found if f[0] == p.value]):5.1f}"
            for p in Position
            if any(f[0] == p.value for f in found)
        )
        print(
            f"{id:20s} {len(found):5d} {wrong.mean():7.2f} {np.sqrt((wrong**2).mean()):7.2f} "
            f"{100 * inside:5.0f} % {np.median([f[2] for f in found]):5.2f} "
            f"{np.median([f[3] for f in found]):6.2f}   {at}"
        )


# The drill's obstacles on the line through the ball: how far behind it, width and height, cm.
OBSTACLES = [(b, w, h) for b in (20.0, 35.0, 50.0) for w in (8.0,) for h in (5.0, 9.0, 14.0)]


def print_clearance(swings: list[tuple[TrueClip, SwingSeen]]) -> None:
    """An obstacle drawn in the picture, against the least distance of the true clubhead's path."""
    print("\nclearance, cm, obstacles behind the ball")
    print("                                         n    bias     RMS  inside   se  system.")
    pooled = []
    for clip, swing in swings:
        if clip.view is not View.FACE_ON or clip.json["camera"].get("R0") is None:
            continue
        ball = np.array(clip.json["joints3d"]["ball"][0])
        start, stop = (clip.json["events"][p] for p in ("P4", "P8"))
        path = [
            clip.true_figure(float(s))["clubhead"][[0, 2]] for s in np.arange(start, stop, 0.0005)
        ]
        rows, why = [], ""
        for behind, wide, tall in OBSTACLES:
            left, right = ball[0] - (behind + wide) / 100, ball[0] - behind / 100
            corners = [(left, 0.0), (right, 0.0), (right, tall / 100), (left, tall / 100)]
            px = clip.to_picture(np.array([[x, ball[1], z] for x, z in corners]))
            marked = replace(swing, obstacle=tuple((float(x), float(y)) for x, y in px))
            measured, refused = measure_swing(marked, only={"clearance"})
            if "clearance" not in measured:
                why = refused["clearance"].reason
                continue
            polygon = np.array(corners, np.float32) * 1000  # mm
            true = -max(
                cv2.pointPolygonTest(polygon, (float(10 * x), float(10 * z)), True) for x, z in path
            )
            got = measured["clearance"]
            rows.append((got.value - true / 10, got.se, got.systematic, true / 10))
        if not rows:
            print(f"{clip.name:36s} refused: {why}")
            continue
        pooled += rows
        print(f"{clip.name:36s} {_clearance_row(rows)}")
    if pooled:
        print(f"{'all':36s} {_clearance_row(pooled)}")


def _clearance_row(rows: list[tuple[float, float, float, float]]) -> str:
    wrong, se, system, _ = np.array(rows).T
    inside = np.mean(np.abs(wrong) < 1.96 * np.hypot(se, system))
    return (
        f"{len(rows):5d} {wrong.mean():7.2f} {np.sqrt((wrong**2).mean()):7.2f} "
        f"{100 * inside:5.0f} % {np.median(se):5.2f} {np.median(system):6.2f}"
    )


def write_rows(rows: list[Row], path: Path) -> None:
    with path.open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["clip", "view", "measure", "position", "error", "se", "systematic", "truth"])
        for r in rows:
            at = r.at.position.value if r.at.position else ""
            figures = (r.error, r.se, r.systematic, r.truth)
            out.writerow([r.clip, r.view, r.at.measure, at, *(f"{x:.4f}" for x in figures)])


def golfers_of(clips: list[TrueClip], count: int) -> list[TrueClip]:
    """Every clip with so many golfers by chance, the same ones before each camera of a body."""
    if count == 0:
        return clips
    chosen = []
    for clip in clips:
        body = int(clip.path.parts[-3].removeprefix("body"))
        for k in range(1, count + 1):
            chosen.append(by_chance(clip, np.random.default_rng([5, body, k]), k))
    return chosen


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("clips", type=Path)
    parser.add_argument("--positions", choices=("found", "true"), default="found")
    parser.add_argument("--tracks", choices=("real", "truth"), default="real")
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "bench-tracks")
    parser.add_argument("--only", default="", help="part of a clip's name")
    parser.add_argument("--most", type=int, default=99, help="clips of one folder")
    parser.add_argument("--pictures", type=Path, help="folder for the sheets of the worst cases")
    parser.add_argument(
        "--golfers", type=int, default=0, help="aims and balls by chance: our renderer's clips"
    )
    parser.add_argument("--stick", action="store_true", help="click a stick: our renderer's clips")
    parser.add_argument("--rows", type=Path, help="CSV of every reading")
    options = parser.parse_args()
    options.cache.mkdir(parents=True, exist_ok=True)
    clips = [
        clip
        for clip in find_clips(options.clips)
        if options.only in str(clip.path) and int(clip.path.stem[-2:]) < options.most
    ]
    print(f"functions against the clips' own projected angles: {check_functions(clips):.4f} deg")
    rows: list[Row] = []
    refused: dict[str, int] = defaultdict(int)
    swings = []
    for clip in golfers_of(clips, options.golfers):
        swing = seen(clip, options)
        swings.append((clip, swing))
        got, why = rows_of(clip, swing)
        rows += got
        for key in why:
            refused[key] += 1
    if options.rows:
        write_rows(rows, options.rows)
    print_tables(rows, refused)
    print_change(rows)
    print_pairs(swings)
    print_clearance(swings)
    print_cameras(swings)
    print_off_square(rows, swings)
    if options.pictures:
        write_sheets(rows, swings, options.pictures)


if __name__ == "__main__":
    main()
