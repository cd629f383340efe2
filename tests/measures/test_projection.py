"""Measures against pictures drawn by another's projector: OpenCV's `projectPoints`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from lessonmark.measures.costs import camera_costs
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.posture import Posture
from lessonmark.measures.registry import entry
from lessonmark.words import View

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


def true_values(filming, view):
    joints = filming.swing()
    start = Posture.of(filming.flat(joints["P1"], view), view=view)
    found = {}
    for id, position in filming.MEASURES[view]:
        posture = Posture.of(filming.flat(joints[position], view), view=view, start=start)
        found[f"{id}@{position}"] = entry(id).at(posture)
    return found


@pytest.mark.parametrize("view", list(View))
def test_a_swing_filmed_well_is_measured_within_the_aims(filming, filmed_swing, view):
    measured, _ = measure_swing(filmed_swing(view))
    for key, truth in true_values(filming, view).items():
        aim = 3.0 if entry(key.partition("@")[0]).unit == "deg" else 2.0
        assert measured[key].value == pytest.approx(truth, abs=aim), key


@pytest.mark.parametrize(
    "wrong",
    [{"roll": 4.0}, {"yaw": 5.0}, {"yaw": -5.0}, {"distance": 300.0}, {"height": 50.0}],
    ids=lambda wrong: " ".join(f"{k} {v:g}" for k, v in wrong.items()),
)
@pytest.mark.parametrize("view", list(View))
def test_a_swing_filmed_badly_is_within_its_stated_error(filming, filmed_swing, view, wrong):
    measured, _ = measure_swing(filmed_swing(view, **wrong))
    for key, truth in true_values(filming, view).items():
        got = measured[key]
        assert abs(got.value - truth) < 1.96 * got.total_se, key


@pytest.mark.parametrize("view", list(View))
def test_a_left_hander_filmed_reads_as_the_right_hander_does(filming, filmed_swing, view):
    right, _ = measure_swing(filmed_swing(view))
    left, _ = measure_swing(filmed_swing(view, mirrored=True))
    for key in true_values(filming, view):
        assert left[key].value == pytest.approx(right[key].value, abs=1e-6), key


def test_the_filming_page_is_made_by_its_bench(filming):
    assert (ROOT / "docs" / "filming.md").read_text() == filming.page()
    for name, drawing in filming.drawings():
        assert (ROOT / "docs" / "img" / name).read_text() == drawing


def test_the_cost_of_the_camera_names_the_worst_cause(filmed_swing):
    swing = filmed_swing(View.FACE_ON)
    turned = replace(swing, camera=replace(swing.camera, yaw_deg=15.0, yaw_se_deg=0.5))
    cost = {str(c.at): c for c in camera_costs(turned, only={"trunk_lean", "shoulder_tilt"})}
    # 15 deg off square shows tan 34 deg x sin 15 deg of the forward bend as lean: 9.9 deg.
    cause, size = cost["trunk_lean@P7"].worst
    assert cause == "off square"
    assert size == pytest.approx(9.9, abs=2.0)
    # Roll goes one to one into a tilt.
    assert cost["shoulder_tilt@P7"].by_cause["roll"] == pytest.approx(0.5, abs=0.05)
