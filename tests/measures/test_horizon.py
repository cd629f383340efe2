"""A wall's foot is not taken for the horizon; where it may be one, nothing is claimed by it."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import xarray as xr

from lessonmark.measures.camera import check_camera
from lessonmark.measures.horizon import camera_height
from lessonmark.words import View


def filmed(filming, filmed_swing, view=View.FACE_ON, **wrong):
    """The stick golfer with heels, which it lacks; its camera is still to be checked."""
    swing = filmed_swing(view, **wrong)
    joints = filming.swing()["P1"]
    heels = {
        f"{side}_heel": joints[f"{side}_ankle"] + np.array([0.0, -4.0, -5.0])
        for side in ("lead", "trail")
    }
    track = swing.track
    for name, px in filming.picture(heels, view, **(filming.BEST | wrong)).items():
        one = track.sel(keypoint=["lead_ankle"]).assign_coords(keypoint=[name]).copy(deep=True)
        one["position"][:] = np.array(px)[None, :, None]
        track = xr.concat([track, one], dim="keypoint")
    return replace(swing, track=track, camera=None)


def edge_row(filming, far_cm, **wrong):
    """The row of the ground `far_cm` behind the golfer: a wall's foot, or nearly the horizon."""
    foot = {"foot": np.array([0.0, -far_cm, 0.0])}
    return filming.picture(foot, View.FACE_ON, **(filming.BEST | wrong))["foot"][1]


def check(filming, swing, row):
    """Check the camera before a bright wall over a dark floor that meet at a row."""
    rng = np.random.default_rng(1)
    small = (filming.HEIGHT // 2, filming.WIDTH // 2)
    texture = cv2.GaussianBlur(rng.normal(0, 40, small), (0, 0), 2.0)
    below = np.arange(small[0])[:, None] + 0.5 > row / 2
    picture = np.clip(np.where(below, 90.0, 180.0) + texture, 0, 255).astype(np.uint8)
    picture = cv2.resize(picture, (filming.WIDTH, filming.HEIGHT))
    return check_camera(swing, lambda s: picture)


WALL_CM, FAR_CM = 200.0, 100_000.0


@pytest.mark.parametrize("ball", [True, False], ids=["with a ball", "without"])
def test_a_walls_foot_is_not_the_horizon(filming, filmed_swing, ball):
    """A camera at 1 m before a wall 2 m behind the golfer would stand at 36 cm by its foot."""
    swing = filmed(filming, filmed_swing)
    swing = swing if ball else replace(swing, ball=None)
    found = check(filming, swing, edge_row(filming, WALL_CM))
    assert found.height_cm is None
    assert found.pitch_deg is None
    assert found.pitch_se_deg >= 4.0
    assert "may be a wall's foot and not the horizon" in found.lines[2]
    assert found.distance_cm == pytest.approx(450.0, rel=0.1)
    # Nor is it as sure to be level: a wall may stand askew.
    assert found.roll_se_deg >= 1.0


def test_a_horizon_is_still_one(filming, filmed_swing):
    found = check(filming, filmed(filming, filmed_swing), edge_row(filming, FAR_CM))
    assert found.height_cm == pytest.approx(100.0, abs=12.0)
    assert found.pitch_deg is not None
    assert "wall" not in found.lines[2]


def test_a_camera_that_lies_low_is_told_by_the_ball_and_not_without(filming, filmed_swing):
    low = filmed(filming, filmed_swing, height=35.0)
    row = edge_row(filming, FAR_CM, height=35.0)
    found = check(filming, low, row)
    assert found.height_cm == pytest.approx(35.0, abs=10.0)
    assert "Put the lens at the height of the hands" in found.lines[2]
    alone = check(filming, replace(low, ball=None), row)
    assert alone.height_cm is None
    assert "may be a wall's foot" in alone.lines[2]


@pytest.mark.parametrize("setting", [{}, {"height": 60.0}, {"height": 150.0}, {"distance": 650.0}])
def test_feet_and_ball_tell_the_height_without_a_horizon(filming, filmed_swing, setting):
    swing = filmed(filming, filmed_swing, **setting)
    told, se = camera_height(swing, 0.5, scale=swing.scale, roll_deg=0.0)
    true = (filming.BEST | setting)["height"]
    assert abs(told - true) < 1.96 * se
    assert se < 0.35 * true


def test_from_down_the_line_the_ball_says_nothing(filming, filmed_swing):
    swing = filmed(filming, filmed_swing, View.DOWN_THE_LINE)
    assert camera_height(swing, 0.5, scale=swing.scale, roll_deg=0.0) is None
