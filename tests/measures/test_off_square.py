"""What a camera that is off square costs is held, whichever way its check errs about it."""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from lessonmark.measures.depth import off_nominal
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.posture import Posture
from lessonmark.measures.reading import Reading
from lessonmark.measures.registry import entry
from lessonmark.measures.systematic import landmark_cov, systematic_parts
from lessonmark.words import Position, View

P7 = Position.P7
TOLD_SE = 4.0  # deg, as feet and ball tell it


def parts_of(swing, id, position=P7):
    reading = Reading(swing=swing, entry=entry(id), position=position)
    value = reading.value()
    return value, systematic_parts(reading, value, dict(reading.read))


def true_value(filming, id):
    joints = filming.swing()
    start = Posture.of(filming.flat(joints["P1"], View.FACE_ON))
    return entry(id).at(Posture.of(filming.flat(joints["P7"], View.FACE_ON), start=start))


@pytest.mark.parametrize("id", ["trunk_lean", "handle_offset", "side_bend"])
@pytest.mark.parametrize("yaw", [10.0, -10.0, 20.0])
def test_a_camera_off_square_is_held_as_often_as_is_said(filming, filmed_swing, id, yaw):
    swing = filmed_swing(View.FACE_ON, yaw=yaw)
    truth = true_value(filming, id)
    draws = NormalDist(yaw, TOLD_SE)
    held = []
    for k in range(40):  # the check's errors by their own law, evenly over its quantiles
        told = draws.inv_cdf((k + 0.5) / 40)
        by_player = replace(swing.camera, yaw_deg=told, yaw_se_deg=TOLD_SE, yaw_from="feet")
        value, parts = parts_of(replace(swing, camera=by_player), id)
        off = np.hypot(parts["off square"], parts["depth"])
        held.append(abs(value - truth) < 1.96 * np.hypot(off, parts["perspective"]))
    assert np.mean(held) >= 0.92


def test_a_square_camera_that_is_known_to_be_so_costs_nothing_in_depth(filmed_swing):
    swing = filmed_swing(View.FACE_ON)
    known = replace(swing.camera, yaw_deg=0.0, yaw_se_deg=1e-6, yaw_from="stick")
    _, parts = parts_of(replace(swing, camera=known), "trunk_lean")
    assert parts["off square"] == pytest.approx(0.0, abs=1e-3)


def test_perspective_costs_what_a_wrong_distance_does(filmed_swing):
    # Perspective goes with depth over distance; whose depth it is, is counted by its own part.
    swing = filmed_swing(View.FACE_ON)
    share = 0.08 / 0.74
    value, parts = parts_of(swing, "hand_radius")
    farther = replace(swing.camera, distance_cm=swing.camera.distance_cm * (1 + share))
    moved, _ = parts_of(replace(swing, camera=farther), "hand_radius")
    assert parts["perspective"] == pytest.approx(abs(moved - value), rel=1e-6)
    assert parts["perspective"] > 0.1


def test_the_clubs_points_may_lie_along_the_shaft_rather_than_beside_it(filmed_swing):
    swing = filmed_swing(View.FACE_ON)
    track = swing.track.assign(
        shaft_angle=("time", np.full(swing.track.sizes["time"], np.radians(-60.0))),
        shaft_angle_se=("time", np.full(swing.track.sizes["time"], 1e-3)),
    ).drop_vars("position_systematic")
    cov = landmark_cov(replace(swing, track=track), "grip_butt", 1.5, torso_px=100.0)
    along = np.array([np.cos(np.radians(60.0)), np.sin(np.radians(60.0))])  # y is down
    across = np.array([-along[1], along[0]])
    assert np.sqrt(along @ cov @ along) == pytest.approx(10.0)
    assert np.sqrt(across @ cov @ across) == pytest.approx(2.0)
    assert along @ cov @ across == pytest.approx(0.0, abs=1e-9)


def test_a_point_that_lies_elsewhere_all_the_time_is_no_slower(filmed_swing):
    # 10 ms apart a hand is seen at the same wrong place on the grip.
    _, parts = parts_of(filmed_swing(View.FACE_ON), "hand_speed")
    assert parts["landmarks"] < 0.01


@pytest.mark.parametrize("view", list(View))
def test_the_clubhead_is_where_it_should_be_best_at_the_ball(view):
    at_ball, on_its_way = (off_nominal("clubhead", p, view) for p in (P7, Position.P6))
    assert at_ball < on_its_way
    assert off_nominal("lead_wrist", P7, view) == off_nominal("grip_mid", P7, view)


def test_what_goes_over_the_edge_of_what_can_be_read_still_costs(filmed_swing):
    # Turned by so much more the hips are seen end on, and side bend cannot be read.
    swing = filmed_swing(View.FACE_ON, yaw=20.0)
    cost = []
    for told in (12.0, 24.0):
        by_player = replace(swing.camera, yaw_deg=told, yaw_se_deg=TOLD_SE, yaw_from="feet")
        cost.append(parts_of(replace(swing, camera=by_player), "side_bend")[1])
    assert cost[1]["off square"] > 1.5 * cost[0]["off square"]
    assert cost[1]["depth"] > cost[0]["depth"] > 0.0


def test_what_no_check_looked_at_is_as_unsure_as_what_none_could_see(filmed_swing):
    swing = filmed_swing(View.FACE_ON)
    unseen = replace(swing.camera, yaw_deg=None, yaw_se_deg=10.0)
    said = [
        measure_swing(replace(swing, camera=camera), only={"trunk_lean"})[0]["trunk_lean@P7"]
        for camera in (unseen, replace(unseen, yaw_se_deg=5.0))
    ]
    assert said[0].systematic > 1.5 * said[1].systematic
