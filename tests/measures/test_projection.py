"""Measures against pictures drawn by another's projector: OpenCV's `projectPoints`."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import cv2
import numpy as np
import pytest
import xarray as xr

from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.posture import Posture
from lessonmark.measures.registry import entry
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import BallSeen, SwingSeen
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Handedness, Position, View

ROOT = Path(__file__).parents[2]
FOCAL, CENTRE = 1500.0, (960.0, 540.0)
MATRIX = np.array([[FOCAL, 0, CENTRE[0]], [0, FOCAL, CENTRE[1]], [0, 0, 1.0]])


def seen_at_4_m(points, yaw_deg):
    """Project points (m: right, down, away from their middle) turned about the vertical."""
    turn = cv2.Rodrigues(np.array([0.0, np.radians(yaw_deg), 0.0]))[0]
    turned = np.asarray(points) @ turn.T
    px, _ = cv2.projectPoints(turned, np.zeros(3), np.array([0.0, 0.0, 4.0]), MATRIX, None)
    return px[:, 0] - CENTRE


def posture_of(px):
    """Face-on posture of shoulders (trail, lead) from projected px, the target to the right."""
    points = {
        "trail_shoulder": (px[0][0], -px[0][1]),
        "lead_shoulder": (px[1][0], -px[1][1]),
    }
    return Posture.of(points, start=Posture.of(points))


# References 6.3: tan a' = tan a / cos y, as published there from projectPoints.
@pytest.mark.parametrize(
    ("true", "yaw", "seen"),
    [
        (30, 0, 30.0000), (30, 10, 30.3813), (30, 20, 31.5667), (30, 30, 33.6901),
        (30, 45, 39.2315), (10, 10, 10.1511), (10, 45, 14.0019), (35, 20, 36.6915),
    ],
)  # fmt: skip
def test_a_tilt_off_square_reads_as_published(true, yaw, seen):
    a = np.radians(true)
    ends = 0.2 * np.array([[-np.cos(a), np.sin(a), 0.0], [np.cos(a), -np.sin(a), 0.0]])
    got = entry("shoulder_tilt").at(posture_of(seen_at_4_m(ends, yaw)))
    assert got == pytest.approx(seen, abs=5e-5)


@pytest.mark.parametrize(
    ("yaw", "flexion"), [(10, 29.6217), (20, 28.4812), (30, 26.5651), (45, 22.2077)]
)
def test_a_bent_joint_off_square_reads_as_published(yaw, flexion):
    # Joint angle 150 deg, one side vertical (references, 6.3).
    a = np.radians(30.0)
    limb = np.array([[0.0, -0.3, 0.0], [0.0, 0.0, 0.0], [0.3 * np.sin(a), 0.3 * np.cos(a), 0.0]])
    px = seen_at_4_m(limb, yaw)
    names = ("lead_hip", "lead_knee", "lead_ankle")
    posture = Posture.of({n: (p[0], -p[1]) for n, p in zip(names, px, strict=True)})
    # The lower limb comes nearer or goes farther, which the flat numbers leave out: 0.3 deg.
    assert entry("lead_knee_flex").at(posture) == pytest.approx(flexion, abs=0.3)


@pytest.fixture(scope="module")
def filming():
    spec = importlib.util.spec_from_file_location("filming", ROOT / "bench" / "filming.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def filmed_swing(filming, view, *, mirrored=False, **wrong):
    """The stick golfer's swing as a track, filmed by `projectPoints`."""
    setting = filming.BEST | wrong
    at_s = {"P1": 0.5, "P4": 1.0, "P7": 1.5}
    joints = filming.swing()
    pictures = {p: filming.picture(joints[p], view, **setting) for p in at_s}
    names = [n for n in pictures["P1"] if n != "ball"]
    times = np.arange(0.0, 2.0, 0.01)
    place = np.empty((len(times), 2, len(names)))
    for k, name in enumerate(names):
        for axis in (0, 1):
            ends = [pictures[p][name][axis] for p in at_s]
            place[:, axis, k] = np.interp(times, list(at_s.values()), ends)
    ball = np.array(pictures["P1"]["ball"])
    if mirrored:
        place[:, 0] = filming.WIDTH - place[:, 0]
        ball[0] = filming.WIDTH - ball[0]
    cov = np.zeros((len(times), 2, 2, len(names)))
    cov[:, 0, 0] = cov[:, 1, 1] = 0.25
    track = xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), place),
            "position_cov": (("time", "space", "space_other", "keypoint"), cov),
            # The joints themselves, not a network's idea of them: no error by definition.
            "position_systematic": (("time", "space", "space_other", "keypoint"), cov),
            "visibility": (("time", "keypoint"), np.ones((len(times), len(names)))),
        },
        coords={"time": times, "space": ["x", "y"], "keypoint": names},
    )
    px_per_cm = filming.FOCAL_PX / setting["distance"]
    return SwingSeen(
        track=track,
        positions=SwingPositions(
            found={
                Position(p): PositionTime(position=Position(p), time=Time(s=s, se=1e-4), how="set")
                for p, s in at_s.items()
            }
        ),
        view=view,
        handedness=Handedness.LEFT if mirrored else Handedness.RIGHT,
        toward=-1 if mirrored else 1,
        width=filming.WIDTH,
        height=filming.HEIGHT,
        fps=100.0,
        scale=Scale(px_per_cm=px_per_cm, se_px_per_cm=0.02 * px_per_cm, sources=("reference",)),
        ball=BallSeen(x=ball[0], y=ball[1], se_px=0.5),
        camera=CameraCheck(
            roll_deg=setting["roll"],
            roll_se_deg=0.5,
            roll_from="set",
            yaw_deg=None,
            yaw_se_deg=5.0,
            distance_cm=setting["distance"],
            height_cm=setting["height"],
            moved_px=0.0,
            pitch_deg=float(np.degrees(np.arctan2(90 - setting["height"], setting["distance"]))),
            pitch_se_deg=2.0,
        ),
        stature_cm=filming.STATURE,
        scatter=0.0,
    )


def true_values(filming, view):
    joints = filming.swing()
    start = Posture.of(filming.flat(joints["P1"], view), view=view)
    found = {}
    for id, position in filming.MEASURES[view]:
        posture = Posture.of(filming.flat(joints[position], view), view=view, start=start)
        found[f"{id}@{position}"] = entry(id).at(posture)
    return found


@pytest.mark.parametrize("view", list(View))
def test_a_swing_filmed_well_is_measured_within_the_aims(filming, view):
    measured, _ = measure_swing(filmed_swing(filming, view))
    for key, truth in true_values(filming, view).items():
        aim = 3.0 if entry(key.partition("@")[0]).unit == "deg" else 2.0
        assert measured[key].value == pytest.approx(truth, abs=aim), key


@pytest.mark.parametrize(
    "wrong",
    [{"roll": 4.0}, {"yaw": 5.0}, {"yaw": -5.0}, {"distance": 300.0}, {"height": 50.0}],
    ids=lambda wrong: " ".join(f"{k} {v:g}" for k, v in wrong.items()),
)
@pytest.mark.parametrize("view", list(View))
def test_a_swing_filmed_badly_is_within_its_stated_error(filming, view, wrong):
    measured, _ = measure_swing(filmed_swing(filming, view, **wrong))
    for key, truth in true_values(filming, view).items():
        got = measured[key]
        assert abs(got.value - truth) < 1.96 * got.total_se, key


@pytest.mark.parametrize("view", list(View))
def test_a_left_hander_filmed_reads_as_the_right_hander_does(filming, view):
    right, _ = measure_swing(filmed_swing(filming, view))
    left, _ = measure_swing(filmed_swing(filming, view, mirrored=True))
    for key in true_values(filming, view):
        assert left[key].value == pytest.approx(right[key].value, abs=1e-6), key


def test_the_filming_page_is_made_by_its_bench(filming):
    assert (ROOT / "docs" / "filming.md").read_text() == filming.page()
    for name, drawing in filming.drawings():
        assert (ROOT / "docs" / "img" / name).read_text() == drawing
