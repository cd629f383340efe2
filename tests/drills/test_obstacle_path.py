"""A clubhead's known path, drawn by OpenCV's camera, comes back in centimetres."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
import xarray as xr

from lessonmark.drills.obstacle_path import FOCAL_SHARE, club_path
from lessonmark.errors import CannotMeasure
from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import BallSeen, SwingSeen
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Handedness, Position, View

WIDTH, HEIGHT, FPS = 720, 1280, 240
FOCAL = FOCAL_SHARE * HEIGHT
STATURE, LENS_CM, HIPS_CM = 180.0, 110.0, 450.0
BALL_DEPTH = HIPS_CM - 0.47 * STATURE
AT = {"P1": 0.5, "P3": 0.8, "P4": 1.0, "P5": 1.1, "P7": 1.25}


def true_place(times):
    """Along, inward and up of the clubhead, cm from the ground below the ball."""
    along = np.interp(times, [0, 0.5, 0.8, 1.0, 1.1, 1.25, 2.0], [0, 0, -100, -60, -100, 0, 40])
    rise = 7.0 * (along / 30) ** 2
    return along, rise / np.tan(np.radians(58.0)), 2.5 + rise


def project(along, inward, up, *, roll_deg=0.0, toward=1):
    """Through cv2.projectPoints: x right, y down, z away."""
    world = np.stack([toward * along, LENS_CM - up, BALL_DEPTH + inward], axis=-1)
    camera = np.array([[FOCAL, 0, WIDTH / 2], [0, FOCAL, HEIGHT / 2], [0, 0, 1.0]])
    turn = np.array([0.0, 0.0, np.radians(roll_deg)])
    px, _ = cv2.projectPoints(world.reshape(-1, 1, 3), turn, np.zeros(3), camera, np.zeros(5))
    return px.reshape(-1, 2)


def make_swing(*, longer_px=0.0, roll_deg=0.0, hand=Handedness.RIGHT, lost_px=0.0):
    """A swing whose tracked head lies `longer_px` too far down the shaft."""
    toward = 1 if hand is Handedness.RIGHT else -1
    times = np.arange(0, 2.0, 1 / FPS)
    along, inward, up = true_place(times)
    head = project(along, inward, up, roll_deg=roll_deg, toward=toward)
    grip = project(0.2 * along, inward + 45, up + 80, roll_deg=roll_deg, toward=toward)
    way = (head - grip) / np.linalg.norm(head - grip, axis=1)[:, None]
    head = head + longer_px * way
    head[times > 1.0, 1] -= lost_px
    place = np.stack([head, grip], axis=2)
    cov = np.zeros((len(times), 2, 2, 2))
    cov[:, 0, 0] = cov[:, 1, 1] = 1.0
    track = xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), place),
            "position_cov": (("time", "space", "space_other", "keypoint"), cov),
            "velocity": (("time", "space", "keypoint"), np.gradient(place, times, axis=0)),
            "shaft_angle": (("time",), np.unwrap(np.arctan2(-way[:, 1], way[:, 0]))),
            "shaft_angle_se": (("time",), np.full(len(times), 0.005)),
        },
        coords={"time": times, "space": ["x", "y"], "keypoint": ["clubhead", "grip_mid"]},
    )
    zero = np.zeros(1)
    ball = project(zero, zero, zero + 2.13, roll_deg=roll_deg, toward=toward)[0]
    return SwingSeen(
        track=track,
        positions=SwingPositions(
            found={
                Position(p): PositionTime(
                    position=Position(p), time=Time(s=s, se=0.001), how="made"
                )
                for p, s in AT.items()
            }
        ),
        view=View.FACE_ON, handedness=hand, toward=toward, width=WIDTH, height=HEIGHT, fps=FPS,
        scale=Scale(px_per_cm=FOCAL / HIPS_CM, se_px_per_cm=0.02, sources=("reference",)),
        ball=BallSeen(x=ball[0], y=ball[1], se_px=0.5), stature_cm=STATURE,
        camera=CameraCheck(
            roll_deg=roll_deg, roll_se_deg=0.3, roll_from="made", yaw_deg=0.0, yaw_se_deg=2.0,
            distance_cm=HIPS_CM, height_cm=LENS_CM, moved_px=0.0, pitch_deg=0.0, pitch_se_deg=1.0,
        ),
    )  # fmt: skip


def height_at(path, behind_cm):
    return float(np.interp(-behind_cm, path.best[:, 0], path.best[:, 1]))


@pytest.mark.parametrize("hand", Handedness)
@pytest.mark.parametrize("roll_deg", [0.0, 4.0])
@pytest.mark.parametrize("longer_px", [0.0, 12.0], ids=["true club", "club too long"])
def test_a_known_path_comes_back(hand, roll_deg, longer_px):
    swing = make_swing(hand=hand, roll_deg=roll_deg, longer_px=longer_px)
    path = club_path(swing, swing_id="a", club_length_cm=95)
    for behind in (20.0, 30.0, 45.0):
        true = 2.5 + 7.0 * (behind / 30) ** 2
        assert height_at(path, behind) == pytest.approx(true, abs=1.0)


def test_the_error_covers_a_plane_and_a_camera_that_are_a_bit_off():
    path = club_path(make_swing(), swing_id="a", club_length_cm=95)
    drawn = [np.interp(-30.0, one[:, 0], one[:, 1]) for one in path.down[1:]]
    assert 0.8 < np.std(drawn) < 3.0


def test_the_same_swing_is_drawn_alike_and_set_up_errors_are_shared():
    first, again = (club_path(make_swing(), swing_id="a", club_length_cm=95) for _ in range(2))
    np.testing.assert_array_equal(first.down, again.down)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"view": View.DOWN_THE_LINE}, "face-on"),
        ({"fps": 60.0}, "too few"),
        ({"scale": None}, "scale in centimetres"),
        ({"ball": None}, "ball was not found"),
    ],
)
def test_footage_that_cannot_carry_it_is_refused(change, words):
    with pytest.raises(CannotMeasure, match=words):
        club_path(replace(make_swing(), **change), swing_id="a", club_length_cm=95)


def test_a_clubhead_that_was_lost_before_the_ball_is_refused():
    with pytest.raises(CannotMeasure, match="lost near the ball"):
        club_path(make_swing(lost_px=60.0), swing_id="a", club_length_cm=95)
