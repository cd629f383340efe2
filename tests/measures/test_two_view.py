"""The golfer in space from two pictures that OpenCV's projector drew."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lessonmark.errors import CannotMeasure
from lessonmark.measures.bundle import project
from lessonmark.measures.figure import Figure
from lessonmark.measures.registry import catalogue, entry
from lessonmark.measures.two_view import measure_pair, reconstruct
from lessonmark.words import View

SOLID = [e for e in catalogue() if e.solid is not None]


@pytest.fixture(scope="module")
def truth(filming):
    return {p: Figure(points=joints) for p, joints in filming.swing().items()}


@pytest.fixture(scope="module")
def pair(filmed_swing):
    """Both cameras a little wrong: 4 deg and -3 deg off square, one on the ground."""
    return (
        filmed_swing(View.FACE_ON, yaw=4.0, noise_px=2.0),
        filmed_swing(View.DOWN_THE_LINE, yaw=-3.0, height=60.0, noise_px=2.0),
    )


@pytest.fixture(scope="module")
def measured(pair, filming):
    return measure_pair(*pair, club_cm=None)[0]


@pytest.mark.parametrize("measure", [e.id for e in SOLID])
def test_two_cameras_give_it_within_five_degrees_and_its_stated_error(measured, truth, measure):
    for position, figure in truth.items():
        got = measured[f"{measure}@{position}"]
        wrong = (got.value - entry(measure).solid(figure) + 180) % 360 - 180
        assert abs(wrong) < 5.0, position
        assert abs(wrong) < 1.96 * got.total_se, position


def test_a_left_handers_pair_reads_the_same(filmed_swing, filming):
    right = [filmed_swing(view) for view in View]
    left = [filmed_swing(view, mirrored=True) for view in View]
    a, b = (reconstruct(*swings) for swings in (right, left))
    assert np.abs(a.points - b.points).max() < 0.05


def test_a_swapped_pair_is_refused(pair):
    with pytest.raises(CannotMeasure, match="one face-on and one down-the-line"):
        reconstruct(pair[1], pair[0])
    _, refused = measure_pair(pair[1], pair[0])
    assert "face-on" in refused["pelvis_turn"].reason


def test_the_projection_is_opencvs():
    rng = np.random.default_rng(2)
    points = rng.uniform(-100, 100, (20, 3)) + np.array([0.0, 0.0, 100.0])
    pan, pitch, roll = 0.1, -0.05, 0.04
    place, focal = np.array([15.0, 450.0, 90.0]), 1400.0
    got = project(
        points,
        np.tile([pan, pitch, roll, *place, np.log(focal)], (20, 1)),
        np.zeros(20, dtype=int),
    )

    # Spelt out for OpenCV: right, down, ahead of a face-on camera, then its own turns.
    def about(axis, angle):
        return cv2.Rodrigues(angle * np.eye(3)[axis])[0]

    to_camera = np.stack([[1.0, 0, 0], [0, 0, -1.0], [0, -1.0, 0]])
    turns = about(2, roll) @ about(0, -pitch) @ about(1, -pan)
    frame = turns @ to_camera
    mirror = np.diag([1.0, 1.0, 1.0]) if np.linalg.det(frame) > 0 else np.diag([-1.0, 1.0, 1.0])
    matrix = np.array([[focal, 0, 0], [0, focal, 0], [0, 0, 1.0]])
    px, _ = cv2.projectPoints(
        points @ mirror, cv2.Rodrigues(frame @ mirror)[0], -frame @ place, matrix, None
    )
    assert got == pytest.approx(px[:, 0] * [1.0, -1.0], abs=1e-6)


def test_turn_and_bend_of_a_plain_figure_by_hand():
    # Shoulders turned a quarter away from the target, trail hip 2 cm lower over 24 cm.
    figure = Figure(
        points={
            "lead_shoulder": np.array([0.0, 20.0, 140.0]),
            "trail_shoulder": np.array([0.0, -20.0, 140.0]),
            "lead_hip": np.array([12.0, 0.0, 91.0]),
            "trail_hip": np.array([-12.0, 0.0, 89.0]),
        }
    )
    assert entry("shoulder_turn").solid(figure) == pytest.approx(90.0)
    assert entry("pelvis_turn").solid(figure) == pytest.approx(0.0)
    assert entry("true_pelvis_tilt").solid(figure) == pytest.approx(np.degrees(np.arctan2(2, 24)))
    # The trunk stands upright over hips that slope by 4.76 deg: bent to the lead side by that.
    assert entry("true_side_bend").solid(figure) == pytest.approx(-np.degrees(np.arctan2(2, 24)))
    assert entry("true_forward_bend").solid(figure) == pytest.approx(0.0)
