"""The camera check's roll, as the positions take it: one leaning picture, both ways of counting."""

import math

import numpy as np
import pytest
import xarray as xr

from lessonmark.lessons.clip_analysis import level_turn_deg
from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.level import find_roll
from lessonmark.positions.signals import path_of


@pytest.mark.parametrize("leans_deg", [-4.0, 4.0])
def test_what_is_level_in_a_leaning_picture_is_level_to_the_positions(leans_deg):
    # A picture of upright posts whose tops lean to the right by `leans_deg`.
    height, width = 480, 360
    y, x = np.mgrid[:height, :width]
    lean = math.radians(leans_deg)
    across = (x - width / 2) * math.cos(lean) + (y - height / 2) * math.sin(lean)
    posts = np.where(np.floor(across / 24) % 2 == 0, 60, 190).astype(np.uint8)
    roll = find_roll(posts, np.zeros(posts.shape, bool), None)
    assert roll.deg == pytest.approx(leans_deg, abs=0.3)
    camera = CameraCheck(
        roll_deg=roll.deg,
        roll_se_deg=roll.se_deg,
        roll_from=roll.source,
        yaw_deg=None,
        yaw_se_deg=5.0,
        distance_cm=None,
        height_cm=None,
        moved_px=None,
    )
    # Two ends of a line square to the posts: level in the world.
    ends = np.array([[0.0, 0.0], [100 * math.cos(lean), 100 * math.sin(lean)]])
    track = xr.Dataset(
        {"position": (("time", "space", "keypoint"), ends.T[None].repeat(3, axis=0))},
        coords={"time": [0.0, 0.1, 0.2], "space": ["x", "y"], "keypoint": ["a", "b"]},
    )
    turn = level_turn_deg(camera)
    heights = [path_of(track, end, roll_deg=turn).up[0] for end in ("a", "b")]
    assert heights[1] - heights[0] == pytest.approx(0.0, abs=1.0)
