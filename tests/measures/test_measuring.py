"""Measures of figures whose answer is known, and their errors."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.registry import catalogue
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import BallSeen, SwingSeen, usual_toward
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Handedness, Position, View

SCALE = Scale(px_per_cm=2.0, se_px_per_cm=0.02, sources=("reference",))
# A standing figure, cm: (along, up), feet at 0.
STANDING = {
    "lead_shoulder": (18.0, 142.0),
    "trail_shoulder": (-18.0, 138.0),
    "lead_hip": (12.0, 92.0),
    "trail_hip": (-12.0, 90.0),
    "lead_elbow": (16.0, 112.0),
    "trail_elbow": (-10.0, 110.0),
    "lead_wrist": (4.0, 88.0),
    "trail_wrist": (0.0, 84.0),
    "lead_knee": (16.0, 49.0),
    "trail_knee": (-16.0, 49.0),
    "lead_ankle": (20.0, 8.0),
    "trail_ankle": (-20.0, 8.0),
    "lead_ear": (8.0, 160.0),
    "trail_ear": (-8.0, 160.0),
    "lead_eye": (4.0, 158.0),
    "trail_eye": (-4.0, 158.0),
    "grip_butt": (4.0, 90.0),
    "grip_mid": (2.0, 82.0),
    "clubhead": (-2.0, 2.0),
}
BALL = (0.0, 2.0)


def figure_swing(
    *,
    moved=None,
    handedness=Handedness.RIGHT,
    view=View.FACE_ON,
    noise_px=0.5,
    time_se=0.001,
    fps=120.0,
    roll_deg=0.0,
    scale=SCALE,
    visibility=1.0,
    **known,
):
    """A flat figure far away: `STANDING` at P1 (0.2 s), evenly by `moved` cm to P7 (0.7 s)."""
    known.setdefault("camera", camera())
    toward = usual_toward(handedness)
    names = list(STANDING)
    times = np.arange(0.0, 1.2, 1 / fps)
    share = np.clip((times - 0.2) / 0.5, 0.0, 2.0)
    turn = math.radians(roll_deg)
    place = np.zeros((len(times), 2, len(names)))
    for k, name in enumerate(names):
        step = np.asarray((moved or {}).get(name, (0.0, 0.0)))
        at = np.asarray(STANDING[name]) + share[:, None] * step
        x, y = toward * at[:, 0] * SCALE.px_per_cm, -(at[:, 1] - 90) * SCALE.px_per_cm
        # A plumb line's top leans to the image's right by the roll.
        place[:, 0, k] = 400 + x * math.cos(turn) - y * math.sin(turn)
        place[:, 1, k] = 400 + x * math.sin(turn) + y * math.cos(turn)
    cov = np.zeros((len(times), 2, 2, len(names)))
    cov[:, 0, 0] = cov[:, 1, 1] = noise_px**2
    shaft = place[:, :, names.index("clubhead")] - place[:, :, names.index("grip_butt")]
    track = xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), place),
            "position_cov": (("time", "space", "space_other", "keypoint"), cov),
            "visibility": (("time", "keypoint"), np.full((len(times), len(names)), visibility)),
            "shaft_angle": (("time",), np.arctan2(-shaft[:, 1], shaft[:, 0])),
            "shaft_angle_se": (("time",), np.full(len(times), math.radians(1.0))),
        },
        coords={"time": times, "space": ["x", "y"], "keypoint": names},
    )
    at_s = {Position.P1: 0.2, Position.P4: 0.5, Position.P7: 0.7}
    found = {
        p: PositionTime(position=p, time=Time(s=s, se=time_se), how="drawn")
        for p, s in at_s.items()
    }
    return SwingSeen(
        track=track,
        positions=SwingPositions(found=found),
        view=view,
        handedness=handedness,
        toward=toward,
        width=800,
        height=800,
        fps=fps,
        scale=scale,
        scatter=0.0,
        ball=BallSeen(x=400 + toward * 2 * BALL[0], y=400 - 2 * (BALL[1] - 90), se_px=0.5),
        **known,
    )


def camera(roll_deg=0.0, yaw_deg=None):
    return CameraCheck(
        roll_deg=roll_deg,
        roll_se_deg=0.5,
        roll_from="vertical edges",
        yaw_deg=yaw_deg,
        yaw_se_deg=5.0,
        distance_cm=1e9,  # the figure is flat: no perspective to take out
        height_cm=100.0,
        moved_px=0.0,
    )


def test_shoulder_tilt_is_the_slope_of_the_line_and_positive_with_the_trail_shoulder_lower():
    measured, _ = measure_swing(figure_swing(), only={"shoulder_tilt"})
    assert measured["shoulder_tilt@P1"].value == pytest.approx(math.degrees(math.atan2(4, 36)))


def test_hips_that_move_up_and_to_the_target_read_so():
    step = {"lead_hip": (9.0, 3.0), "trail_hip": (9.0, 3.0)}
    measured, _ = measure_swing(figure_swing(moved=step))
    assert measured["pelvis_shift@P7"].value == pytest.approx(9.0)
    assert measured["pelvis_rise@P7"].value == pytest.approx(3.0)
    # The trunk's foot has gone 9 cm toward the target and 3 up from 49 cm below the shoulders.
    lean = math.degrees(math.atan2(9, 46))
    assert measured["trunk_lean@P7"].value == pytest.approx(lean)
    assert measured["side_bend@P7"].value == pytest.approx(lean - math.degrees(math.atan2(2, 24)))


def test_a_left_handed_player_reads_the_same():
    step = {"lead_hip": (9.0, 3.0), "trail_hip": (7.0, -3.0), "clubhead": (30.0, 10.0)}
    right, _ = measure_swing(figure_swing(moved=step))
    left, _ = measure_swing(figure_swing(moved=step, handedness=Handedness.LEFT))
    assert right.keys() == left.keys()
    for key, value in right.items():
        assert left[key].value == pytest.approx(value.value, abs=1e-9), key
        # Errors that are drawn at random differ by their own scatter: 4 % for 300 draws.
        assert left[key].se == pytest.approx(value.se, rel=0.15), key


def test_a_known_camera_roll_is_taken_out():
    step = {"lead_hip": (9.0, 3.0), "trail_hip": (7.0, -3.0)}
    straight, _ = measure_swing(figure_swing(moved=step, camera=camera()))
    rolled, _ = measure_swing(figure_swing(moved=step, roll_deg=4.0, camera=camera(4.0)))
    for key, value in straight.items():
        if key.startswith(("handle", "clearance")):
            continue  # the fixture's ball is not rolled
        assert rolled[key].value == pytest.approx(value.value, abs=1e-6), key


def test_an_unremoved_roll_adds_to_a_tilt_and_is_in_the_systematic_part():
    # Camera roll r adds r to every angle against the horizontal (references, 6.3).
    unchecked = replace(camera(), roll_se_deg=2.0)
    tilt = {"shoulder_tilt"}
    straight, _ = measure_swing(figure_swing(camera=unchecked), only=tilt)
    rolled, _ = measure_swing(figure_swing(roll_deg=1.0, camera=unchecked), only=tilt)
    difference = rolled["shoulder_tilt@P1"].value - straight["shoulder_tilt@P1"].value
    # The roll also moves the golfer's column by half a pixel, which is faced anew: 0.0006 deg.
    assert abs(difference) == pytest.approx(1.0, abs=2e-3)
    assert abs(difference) < straight["shoulder_tilt@P1"].systematic


def test_line_noise_follows_the_published_formula():
    # sd = sqrt(2) s / L rad, L 72.4 px here (references, 6.4; s 3 px, L 200 px -> 1.2154 deg).
    swing = figure_swing(noise_px=3.0, time_se=1e-6)
    measured, _ = measure_swing(swing, only={"shoulder_tilt"})
    long_px = 2.0 * math.hypot(36, 4)
    expected = math.degrees(math.sqrt(2) * 3.0 / long_px)
    assert math.degrees(math.sqrt(2) * 3.0 / 200.0) == pytest.approx(1.2154, abs=1e-4)
    assert measured["shoulder_tilt@P1"].se == pytest.approx(expected, rel=0.01)


def test_joint_angle_noise_follows_the_published_formula():
    # Three points A, B, C (references, 6.4): sides 150 px at 150 deg, s 3 px -> 2.7435 deg.
    def published(ab, bc, ac, s):
        return math.degrees(s * math.sqrt(1 / ab**2 + 1 / bc**2 + ac**2 / (ab * bc) ** 2))

    ac = 150 * math.sqrt(2 - 2 * math.cos(math.radians(150)))
    assert published(150, 150, ac, 3.0) == pytest.approx(2.7435, abs=1e-4)
    step = {"trail_wrist": (-30.0, 20.0)}
    swing = figure_swing(noise_px=1.0, moved=step, time_se=1e-7)
    measured, _ = measure_swing(swing, only={"trail_elbow_flex"})
    a = np.array(STANDING["trail_shoulder"])
    b = np.array(STANDING["trail_elbow"])
    c = np.array(STANDING["trail_wrist"]) + step["trail_wrist"]
    sides = [2 * float(np.hypot(*v)) for v in (a - b, b - c, a - c)]
    assert measured["trail_elbow_flex@P7"].se == pytest.approx(published(*sides, 1.0), rel=0.02)


def test_the_middle_of_two_points_keeps_its_correlation_with_them():
    # side_bend reads the hips twice; errors that are drawn at random must agree (GUM, eq. 13).
    rng = np.random.default_rng(3)
    plain = figure_swing(noise_px=1.0, time_se=1e-7)
    stated = measure_swing(plain, only={"side_bend"})[0]["side_bend@P1"]
    drawn = []
    for _ in range(200):
        track = plain.track.copy(deep=True)
        noise = rng.normal(0, 1.0, track["position"].shape)
        # One error a keypoint over neighbouring frames, as a smoothed track has.
        noise[:] = noise[:1]
        track["position"] = track["position"] + noise
        swing = SwingSeen(**{**_fields(plain), "track": track})
        drawn.append(measure_swing(swing, only={"side_bend"})[0]["side_bend@P1"].value)
    assert stated.se == pytest.approx(np.std(drawn), rel=0.17)  # 3.4 SE of an SD of 200


def test_the_times_error_counts_by_the_measures_slope():
    # 10 cm in 0.5 s is 20 cm/s; 10 ms of it are 0.2 cm.
    step = {"lead_hip": (10.0, 0.0), "trail_hip": (10.0, 0.0)}
    swing = figure_swing(moved=step, noise_px=1e-3, time_se=0.010)
    measured, _ = measure_swing(swing, only={"pelvis_shift"})
    # P1 lies where the motion starts: one side of it moves, so it adds half of its own.
    assert measured["pelvis_shift@P7"].se == pytest.approx(math.hypot(0.2, 0.1), rel=0.02)


def test_the_scales_error_is_systematic_and_proportional():
    step = {"lead_hip": (100.0, 0.0), "trail_hip": (100.0, 0.0)}
    wide = Scale(px_per_cm=2.0, se_px_per_cm=0.2, sources=("reference",))
    sure = measure_swing(figure_swing(moved=step), only={"pelvis_shift"})[0]["pelvis_shift@P7"]
    unsure = measure_swing(figure_swing(moved=step, scale=wide), only={"pelvis_shift"})[0]
    got = unsure["pelvis_shift@P7"]
    assert got.se == pytest.approx(sure.se)
    grown = math.sqrt(got.systematic**2 - sure.systematic**2)
    # d(100 cm) at 10 % (scale 1.1) is 9.09 cm, at 1 % 0.99 cm.
    assert grown == pytest.approx(math.sqrt(9.0909**2 - 0.9901**2), rel=0.01)


def test_without_a_scale_lengths_come_in_hundredths_of_the_torso():
    step = {"lead_hip": (9.8, 0.0), "trail_hip": (9.8, 0.0)}
    only = {"pelvis_shift", "hand_speed"}
    measured, refused = measure_swing(figure_swing(moved=step, scale=None), only=only)
    # The torso at address runs from (0, 91) to (0, 140): 49 cm.
    assert measured["pelvis_shift@P7"].value == pytest.approx(20.0)
    assert "scale" in refused["hand_speed@P7"].reason


def test_a_hidden_joint_is_refused_with_a_reason():
    measured, refused = measure_swing(figure_swing(visibility=0.1), only={"side_bend"})
    assert "side_bend@P1" not in measured
    assert "hidden" in refused["side_bend@P1"].reason
    assert refused["side_bend@P1"].do


def test_a_missing_position_is_refused():
    _, refused = measure_swing(figure_swing(), only={"side_bend"})
    assert "P6 was not found" in refused["side_bend@P6"].reason


def test_too_few_frames_a_second_are_refused_with_the_rate_that_would_do():
    _, refused = measure_swing(figure_swing(fps=30.0), only={"hand_speed"})
    assert "30 frames a second are too few" in refused["hand_speed@P7"].reason
    assert "100" in refused["hand_speed@P7"].do


def test_speed_is_the_distance_over_the_time():
    step = {"grip_mid": (300.0, 400.0)}  # 500 cm in 0.5 s: 10 m/s
    measured, _ = measure_swing(figure_swing(moved=step), only={"hand_speed"})
    assert measured["hand_speed@P7"].value == pytest.approx(10.0, rel=1e-6)


def test_tempo_and_its_error_agree_with_the_worked_numbers():
    # References 6.2: 0.800 / 0.267 s at 120 frames/s, u(event) 2.4056 ms -> u(ratio) 0.04590.
    plain = figure_swing()
    found = {
        p: PositionTime(position=p, time=Time(s=s, se=0.0024056), how="drawn")
        for p, s in {Position.P1: 0.0, Position.P4: 0.8, Position.P7: 1.067}.items()
    }
    swing = SwingSeen(**{**_fields(plain), "positions": SwingPositions(found=found)})
    tempo = measure_swing(swing, only={"tempo"})[0]["tempo"]
    assert tempo.value == pytest.approx(2.996255, abs=1e-6)
    assert tempo.se == pytest.approx(0.04590, rel=0.005)
    assert tempo.systematic == 0.0


def test_an_off_square_camera_widens_the_systematic_part():
    lean = {"trunk_lean"}
    square = measure_swing(figure_swing(camera=camera(yaw_deg=0.0)), only=lean)[0]["trunk_lean@P1"]
    turned = measure_swing(figure_swing(camera=camera(yaw_deg=10.0)), only=lean)[0]["trunk_lean@P1"]
    assert turned.systematic > square.systematic
    assert turned.se == pytest.approx(square.se)


def test_a_camera_far_off_square_is_refused_but_times_are_not():
    far = camera(yaw_deg=35.0)
    measured, refused = measure_swing(figure_swing(camera=far), only={"trunk_lean", "tempo"})
    assert "35° off square" in refused["trunk_lean@P1"].reason
    assert "tempo" in measured


@pytest.mark.parametrize("view", list(View))
def test_a_view_offers_only_its_own_measures(view):
    measured, refused = measure_swing(figure_swing(view=view))
    seen = {key.partition("@")[0] for key in {**measured, **refused}}
    assert seen == {
        entry.id for entry in catalogue() if view in entry.views and not entry.needs_two_views
    }


def _fields(swing):
    return {name: getattr(swing, name) for name in swing.__dataclass_fields__}
