"""The camera's checks on drawn pictures, whose slope, shift and place are known."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import xarray as xr

from lessonmark.measures.camera import check_camera, golfer_mask
from lessonmark.measures.level import GroundLine, find_ground_line, find_roll
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.registration import register
from lessonmark.measures.standing import find_standing
from lessonmark.words import View

WIDTH, HEIGHT = 540, 960


def scene(*, slope_deg=0.0, row=480, posts=False, horizon=True, seed=1):
    """Rough ground under a bright sky, its edge falling to the right by `slope_deg`."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(WIDTH) + 0.5, np.arange(HEIGHT) + 0.5)
    edge = row + (x - WIDTH / 2) * np.tan(np.radians(slope_deg))
    texture = cv2.GaussianBlur(rng.normal(0, 40, (HEIGHT, WIDTH)), (0, 0), 2.0)
    picture = np.where(y > edge, 90.0, 180.0) if horizon else np.full((HEIGHT, WIDTH), 130.0)
    picture = picture + texture
    if posts:
        for at in range(40, WIDTH, 60):
            lean = np.tan(np.radians(slope_deg))
            ends = [(at + lean * 200, row - 200), (at - lean * 200, row + 200)]
            a, b = ((round(px), round(py)) for px, py in ends)
            cv2.line(picture, a, b, 20.0, 3, cv2.LINE_AA)
    return np.clip(picture, 0, 255).astype(np.uint8)


def golfer_box():
    mask = np.zeros((HEIGHT, WIDTH), dtype=bool)
    mask[300:700, 220:320] = True
    return mask


@pytest.mark.parametrize("slope", [-6.0, -1.5, 0.0, 0.4, 3.0])
def test_the_roll_is_read_off_the_ground_line(slope):
    picture = scene(slope_deg=slope)
    ground = find_ground_line(picture, golfer_box())
    assert ground.slope_deg == pytest.approx(slope, abs=0.15)
    assert ground.row_px == pytest.approx(480, abs=2)
    roll = find_roll(picture, golfer_box(), ground)
    assert roll.deg == pytest.approx(slope, abs=0.3)


@pytest.mark.parametrize("lean", [-4.0, 0.0, 2.0])
def test_the_roll_is_read_off_posts_where_there_is_no_ground_line(lean):
    picture = scene(slope_deg=lean, posts=True, horizon=False)
    roll = find_roll(picture, golfer_box(), None)
    assert roll.source == "upright edges"
    assert roll.deg == pytest.approx(lean, abs=0.3)


def test_a_picture_without_lines_gives_no_roll_but_a_wide_doubt():
    picture = scene(horizon=False)
    ground = find_ground_line(picture, golfer_box())
    roll = find_roll(picture, golfer_box(), ground)
    assert ground is None
    assert roll.source == "assumed"
    assert roll.se_deg >= 2.0


@pytest.mark.parametrize(("right", "down", "turn"), [(0, 0, 0), (7.5, -3.0, 0), (-20.0, 12.0, 1.0)])
def test_a_moved_camera_is_registered_on_the_background(right, down, turn):
    first = scene()
    matrix = cv2.getRotationMatrix2D((WIDTH / 2, HEIGHT / 2), -turn, 1.0)
    matrix[:, 2] += (right, down)
    second = cv2.warpAffine(first, matrix, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REFLECT)
    # The golfer has moved too: it must not be taken for the background.
    second[300:700, 220:320] = 255
    movement = register(first, second, golfer_box(), golfer_box())
    assert movement.right_px == pytest.approx(right, abs=0.3)
    assert movement.down_px == pytest.approx(down, abs=0.3)
    assert movement.turn_deg == pytest.approx(turn, abs=0.1)


def test_nothing_still_in_sight_is_no_registration():
    blank = np.full((HEIGHT, WIDTH), 128, dtype=np.uint8)
    assert register(blank, blank, golfer_box(), golfer_box()) is None


def with_feet(filming, swing, view, **wrong):
    """Add heels, which the stick golfer lacks, a little behind and under the ankles."""
    setting = filming.BEST | wrong
    joints = filming.swing()["P1"]
    heels = {
        name.replace("ankle", "heel"): joints[name] + np.array([0.0, -4.0, -5.0])
        for name in ("lead_ankle", "trail_ankle")
    }
    seen = filming.picture(heels, view, **setting)
    track = swing.track
    for name, px in seen.items():
        one = track.sel(keypoint=["lead_ankle"]).assign_coords(keypoint=[name]).copy(deep=True)
        one["position"][:] = np.array(px)[None, :, None]
        track = xr.concat([track, one], dim="keypoint")
    return replace(swing, track=track)


def test_a_camera_that_is_surely_far_off_is_not_called_unseen(filming, filmed_swing):
    swing = with_feet(filming, filmed_swing(View.FACE_ON, yaw=34.0), View.FACE_ON, yaw=34.0)
    row = filming.HEIGHT / 2 + filming.FOCAL_PX * np.tan(np.radians(swing.camera.pitch_deg))
    horizon = GroundLine(slope_deg=0.0, row_px=row, strength=9.0)
    found = find_standing(swing, 0.5, roll_deg=0.0, ground=horizon, scale=swing.scale)
    assert found.yaw_deg is not None
    assert found.yaw_deg > 30.0
    assert found.yaw_deg == pytest.approx(34.0, abs=1.96 * found.yaw_se_deg)


@pytest.mark.parametrize("yaw", [-12.0, 0.0, 12.0])
@pytest.mark.parametrize("view", list(View))
def test_the_feet_show_how_far_the_camera_is_off_square(filming, filmed_swing, view, yaw):
    swing = with_feet(filming, filmed_swing(view, yaw=yaw), view, yaw=yaw)
    horizon = GroundLine(
        slope_deg=0.0,
        row_px=filming.HEIGHT / 2 + filming.FOCAL_PX * np.tan(np.radians(swing.camera.pitch_deg)),
        strength=9.0,
    )
    swing = replace(swing, ball=None)
    found = find_standing(swing, 0.5, roll_deg=0.0, ground=horizon, scale=swing.scale)
    assert found.yaw_from == "feet"
    assert abs(found.yaw_deg - yaw) < 1.96 * found.yaw_se_deg
    assert found.yaw_deg == pytest.approx(yaw, abs=4.0)
    assert found.height_cm == pytest.approx(100.0, abs=12.0)
    assert found.distance_cm == pytest.approx(450.0, rel=0.1)


@pytest.mark.parametrize("yaw", [-20.0, -10.0, 0.0, 10.0, 20.0])
def test_the_ball_shows_it_better_than_the_feet_do(filming, filmed_swing, yaw):
    # The stick golfer plays the ball 2 cm ahead of the middle; a wedge is taken for 3 cm.
    swing = with_feet(filming, filmed_swing(View.FACE_ON, yaw=yaw), View.FACE_ON, yaw=yaw)
    row = filming.HEIGHT / 2 + filming.FOCAL_PX * np.tan(np.radians(swing.camera.pitch_deg))
    horizon = GroundLine(slope_deg=0.0, row_px=row, strength=9.0)

    def stand(one):
        return find_standing(one, 0.5, roll_deg=0.0, ground=horizon, scale=one.scale, club_cm=90.0)

    both, feet = stand(swing), stand(replace(swing, ball=None))
    assert both.yaw_from == "feet and ball"
    assert both.yaw_deg == pytest.approx(yaw, abs=4.0)
    assert both.yaw_se_deg < 0.85 * feet.yaw_se_deg


def test_a_ball_that_lies_elsewhere_is_not_asked(filming, filmed_swing):
    swing = with_feet(filming, filmed_swing(View.FACE_ON), View.FACE_ON)
    far = replace(swing, ball=replace(swing.ball, y=swing.ball.y + 400.0))
    assert find_standing(far, 0.5, roll_deg=0.0, ground=None, scale=swing.scale).yaw_from == "feet"


def test_the_check_says_five_lines_and_what_to_do(filming, filmed_swing):
    swing = with_feet(filming, filmed_swing(View.FACE_ON), View.FACE_ON)
    picture = cv2.resize(scene(slope_deg=3.0), (filming.WIDTH, filming.HEIGHT))
    check = check_camera(replace(swing, camera=None), lambda s: picture)
    assert len(check.lines) == 5
    assert "leans by 3.0°" in check.lines[0]
    assert "still" in check.lines[4]
    assert check.roll_deg == pytest.approx(3.0, abs=0.3)
    assert check.moved_px == pytest.approx(0.0, abs=0.2)


def test_a_camera_that_moves_is_told_and_taken_out(filming, filmed_swing):
    # The hand that held it sank by 12 px from address to the top and on: all points rise.
    still = with_feet(filming, filmed_swing(View.FACE_ON), View.FACE_ON)
    picture = cv2.resize(scene(), (filming.WIDTH, filming.HEIGHT))

    def sunk(s):
        return 0.0 if s < 0.75 else -12.0

    def grey_at(s):
        matrix = np.array([[1.0, 0, 0], [0, 1.0, sunk(s)]])
        return cv2.warpAffine(picture, matrix, picture.shape[::-1], borderMode=cv2.BORDER_REFLECT)

    track = still.track.copy(deep=True)
    shift = np.array([sunk(s) for s in track["time"].values])
    track["position"][:, 1, :] += shift[:, None]
    moved = replace(still, track=track)
    check = check_camera(replace(moved, camera=None), grey_at)
    assert check.moved_px == pytest.approx(12.0, abs=0.5)
    assert "moved by 12 px" in check.lines[4]
    only = {"pelvis_rise"}
    true = measure_swing(still, only=only)[0]["pelvis_rise@P7"].value
    raw = measure_swing(moved, only=only)[0]["pelvis_rise@P7"].value
    camera = replace(still.camera, movement=check.movement)
    mended = measure_swing(replace(moved, camera=camera), only=only)[0]["pelvis_rise@P7"].value
    assert abs(raw - true) > 3.0
    assert mended == pytest.approx(true, abs=0.2)


def test_a_clubhead_outside_the_frame_is_said(filming, filmed_swing):
    swing = with_feet(filming, filmed_swing(View.FACE_ON), View.FACE_ON)
    track = swing.track.copy(deep=True)
    track["position"].loc[{"keypoint": "grip_butt", "space": "x"}] = -30.0
    picture = cv2.resize(scene(), (filming.WIDTH, filming.HEIGHT))
    check = check_camera(replace(swing, track=track, camera=None), lambda s: picture)
    assert "the club leaves the picture" in check.lines[4]
    assert not check.ok


def test_the_golfers_box_holds_the_golfer(filmed_swing):
    swing = filmed_swing(View.FACE_ON)
    mask = golfer_mask(swing, 0.5)
    for name in swing.paths.index:
        x, y = swing.paths.at(name, 0.5)[0]
        assert mask[int(y), int(x)], name
