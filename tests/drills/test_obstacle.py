"""The obstacle planner: distances against an independent computation, and what is planned."""

import xml.etree.ElementTree as ET

import cv2
import numpy as np
import pytest

from lessonmark.drills.obstacle import (
    Obstacle,
    Shape,
    clearances,
    surface_distance,
    swing_clearance,
)
from lessonmark.drills.obstacle_path import ClubPath
from lessonmark.drills.obstacle_picture import obstacle_picture
from lessonmark.drills.obstacle_plan import both_units, plan_obstacle
from lessonmark.errors import RecordError
from lessonmark.words import Handedness


def make_path(flat=0.0, *, noise_cm=0.5, shared_cm=0.0, seed=0, name="a"):
    """A clubhead that comes down on a parabola: 7.3 cm up at 30 cm behind the ball, less `flat`."""
    rng = np.random.default_rng(seed)
    along = np.linspace(-105, 0, 400)
    up = 2.5 + (7.3 - 2.5 - flat) * (along / 30) ** 2
    best = np.stack([along, up], axis=1)
    drawn = np.repeat(best[None], 200, axis=0)
    drawn[1:, :, 1] += rng.normal(0, noise_cm, (199, 1))
    drawn[1:, :, 1] += shared_cm * np.random.default_rng(99).standard_normal((199, 1))
    return ClubPath(swing_id=name, down=drawn, back=np.empty((200, 0, 2)), club_length_cm=95)


@pytest.mark.parametrize("shape", Shape)
@pytest.mark.parametrize("distance", [15.0, 30.0, 52.5])
def test_distance_agrees_with_opencvs_polygon_test(shape, distance):
    """cv2.pointPolygonTest on a fine outline, in tenths of a millimetre."""
    obstacle = Obstacle(distance_cm=distance, height_cm=11.0, depth_cm=17.0, shape=shape)
    if shape is Shape.BOX:
        outline = [(0, 0), (0, 11.0), (-17.0, 11.0), (-17.0, 0)]
        outline = [(x - distance, y) for x, y in outline]
    else:
        turn = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
        outline = np.stack([-distance - 5.5 + 5.5 * np.cos(turn), 5.5 + 5.5 * np.sin(turn)], 1)
    contour = (np.asarray(outline) * 1000).astype(np.float32).reshape(-1, 1, 2)
    rng = np.random.default_rng(4)
    places = rng.uniform((-90, -5), (10, 40), (500, 2))
    reference = [
        -cv2.pointPolygonTest(contour, (float(x) * 1000, float(y) * 1000), True) / 1000
        for x, y in places
    ]
    assert surface_distance(places, obstacle) == pytest.approx(reference, abs=0.01)


def test_a_known_clearance_is_read_with_the_clubheads_size():
    # A level path 20 cm up over a box 10 cm high: 10 cm, less half a clubhead of 2.5 cm.
    level = np.repeat(np.array([[[-80.0, 20.0], [0.0, 20.0]]]), 200, axis=0)
    fine = np.linspace(level[:, 0], level[:, 1], 200, axis=1)
    path = ClubPath(swing_id="l", down=fine, back=np.empty((200, 0, 2)), club_length_cm=95)
    got = swing_clearance(path, Obstacle(distance_cm=30, height_cm=10))
    assert got.clearance_cm == pytest.approx(7.5)
    assert got.touch == 0.0
    assert got.is_outside_error


def test_a_touch_that_is_even_is_a_chance_of_a_half_and_not_settled():
    path = make_path(noise_cm=1.0)
    heights = np.linspace(2, 10, 161)
    got = [swing_clearance(path, Obstacle(distance_cm=30, height_cm=float(h))) for h in heights]
    even = min(got, key=lambda one: abs(one.clearance_cm))
    assert even.touch == pytest.approx(0.5, abs=0.12)  # 200 draws: se 0.035
    assert not even.is_outside_error


def test_what_a_set_up_shares_is_told_apart_from_a_swings_own_error():
    shared = [make_path(shared_cm=1.5, noise_cm=0.5, seed=s) for s in range(5)]
    alone = [make_path(shared_cm=0.0, noise_cm=1.5, seed=s) for s in range(5)]
    wall = Obstacle(distance_cm=30, height_cm=5)
    assert clearances(shared, wall)[0].systematic_cm == pytest.approx(1.4, abs=0.35)
    assert clearances(alone, wall)[0].systematic_cm < 0.5


def test_the_planned_obstacle_is_touched_now_and_cleared_by_the_wanted_swings():
    now = [make_path(flat=2.5 + 0.2 * s, seed=s, name=f"n{s}") for s in range(5)]
    wanted = [make_path(flat=-2.0 - 0.2 * s, seed=9 + s, name=f"w{s}") for s in range(5)]
    plan = plan_obstacle(now, wanted, height_cm=4.0)
    assert plan.useful
    assert all(one.clearance_cm < 0 for one in plan.present)
    assert all(one.clearance_cm > 0 for one in plan.wanted)
    assert list(plan.stairs_cm) == sorted(plan.stairs_cm, reverse=True)
    assert plan.stairs_cm[-1] == plan.target.distance_cm
    easy = Obstacle(distance_cm=plan.stairs_cm[0], height_cm=4.0, shape=Shape.ROUND)
    assert np.mean([one.touch for one in clearances(now, easy)]) <= 0.3
    assert any("foam" in caution for caution in plan.cautions)


def test_without_wanted_swings_it_stays_at_the_usual_foot_where_that_is_touched():
    plan = plan_obstacle([make_path(flat=3.0)], height_cm=8.0)
    assert plan.useful
    assert plan.target.distance_cm == 30.0


def test_swings_that_cannot_be_told_apart_are_said_so():
    same = [make_path(seed=1)]
    plan = plan_obstacle(same, [make_path(seed=2)], height_cm=5.0)
    assert not plan.useful
    assert "does not do its work" in plan.lines[0]


def test_lengths_are_written_in_both_units():
    # 1 in = 2.54 cm exactly (REFERENCES 7).
    assert both_units(30.0) == "30 cm (12 in)"
    assert both_units(7.6) == "7.6 cm (3 in)"
    assert both_units(95.0) == "95 cm (37.5 in)"


@pytest.mark.parametrize("hand", Handedness)
def test_the_picture_is_to_scale(hand):
    now = [make_path(flat=3.0)]
    plan = plan_obstacle(now, height_cm=8.0)
    root = ET.fromstring(obstacle_picture(plan, now, handedness=hand))
    space = "{http://www.w3.org/2000/svg}"
    ball = root.find(f"{space}circle")
    px_per_cm = float(ball.get("r")) / 2.13
    box = root.findall(f"{space}rect")[1]
    near = float(box.get("x"))
    apart = float(ball.get("cx")) - near - float(box.get("width"))
    if hand is Handedness.LEFT:
        apart = near - float(ball.get("cx"))
    assert apart == pytest.approx(30 * px_per_cm, rel=0.01)
    assert float(box.get("height")) == pytest.approx(8 * px_per_cm, rel=0.01)


def test_impossible_obstacles_and_no_swings_are_refused():
    with pytest.raises(RecordError, match="distance of 2"):
        Obstacle(distance_cm=2, height_cm=8)
    with pytest.raises(RecordError, match="height"):
        Obstacle(distance_cm=30, height_cm=float("nan"))
    with pytest.raises(RecordError, match="no swing"):
        plan_obstacle([], height_cm=8)
