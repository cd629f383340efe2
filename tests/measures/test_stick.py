"""A stick on the target line, projected by OpenCV, says how the camera stood and is made use of."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from lessonmark.errors import CannotMeasure
from lessonmark.measures.ground import ground_seen
from lessonmark.measures.level import GroundLine
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.square_words import square_line
from lessonmark.measures.standing import Standing, find_standing
from lessonmark.measures.stick import stick_yaw
from lessonmark.words import Position, View

# A stick of 120 cm on the ground: face-on before the ball, down-the-line along the toes.
ENDS = {View.FACE_ON: [(-50, 85), (70, 85)], View.DOWN_THE_LINE: [(-60, 40), (60, 40)]}


def stick_on(filming, view, *, mirrored=False, laid_deg=0.0, **setting):
    turn = np.radians(laid_deg)
    points = {
        str(k): np.array(
            [x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn), 0.0]
        )
        for k, (x, y) in enumerate(ENDS[view])
    }
    seen = filming.picture(points, view, **(filming.BEST | setting))
    return tuple(
        (filming.WIDTH - seen[k][0] if mirrored else seen[k][0], seen[k][1]) for k in ("0", "1")
    )


def horizon(filming, swing):
    pitch = np.tan(np.radians(swing.camera.pitch_deg))
    row = filming.HEIGHT / 2 + filming.FOCAL_PX * pitch
    return GroundLine(slope_deg=0.0, row_px=row, strength=9.0)


def found_yaw(filming, swing, stick, *, roll=0.0):
    seen = ground_seen(swing, ground=horizon(filming, swing), roll_deg=roll, roll_se_deg=0.5)
    hips = [swing.paths.at(f"{side}_hip", 0.5)[0] - swing.centre for side in ("lead", "trail")]
    return stick_yaw(swing, stick, seen=seen, hips_px=(hips[0] + hips[1]) / 2)


@pytest.mark.parametrize("mirrored", [False, True], ids=["right-hander", "left-hander"])
@pytest.mark.parametrize("yaw", [-18.0, -10.0, 0.0, 6.0, 15.0])
@pytest.mark.parametrize("view", list(View))
def test_a_stick_tells_how_far_off_square_the_camera_stands(
    filming, filmed_swing, view, yaw, mirrored
):
    swing = filmed_swing(view, yaw=yaw, mirrored=mirrored)
    stick = stick_on(filming, view, yaw=yaw, mirrored=mirrored)
    found, se = found_yaw(filming, swing, stick)
    # The hips are 8 cm behind what the camera is aimed at, and its lens is 5 % longer than taken.
    behind = np.degrees(8.0 / filming.BEST["distance"]) * (view is View.DOWN_THE_LINE)
    assert found == pytest.approx(yaw - behind, abs=1.5)
    assert se < 4.0
    assert found_yaw(filming, swing, stick[::-1])[0] == pytest.approx(found, abs=1e-9)


def test_a_camera_that_leans_is_stood_upright_first(filming, filmed_swing):
    swing = filmed_swing(View.FACE_ON, yaw=10.0, roll=4.0)
    stick = stick_on(filming, View.FACE_ON, yaw=10.0, roll=4.0)
    assert found_yaw(filming, swing, stick, roll=4.0)[0] == pytest.approx(10.0, abs=1.0)
    assert abs(found_yaw(filming, swing, stick)[0] - 10.0) > 5.0


@pytest.mark.parametrize(
    ("stick", "why"),
    [
        (((500, 1500), (510, 1500)), "too close together"),
        (((500, 300), (700, 300)), "does not lie on the ground"),
        (((540, 1400), (540, 1800)), "lies across"),
        (((100, 1010), (900, 1012)), "too nearly end on"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_stick_that_tells_nothing_is_refused_with_its_reason(filming, filmed_swing, stick, why):
    with pytest.raises(CannotMeasure, match=why):
        found_yaw(filming, filmed_swing(View.FACE_ON), stick)


@pytest.mark.parametrize(
    ("view", "key"), [(View.FACE_ON, "trunk_lean@P7"), (View.DOWN_THE_LINE, "pelvis_out@P7")]
)
def test_measures_are_brought_back_by_what_a_stick_shows(filming, filmed_swing, view, key):
    only = {key.split("@")[0]}
    square = measure_swing(filmed_swing(view), only=only)[0][key]
    turned = filmed_swing(view, yaw=12.0)
    as_filmed = measure_swing(turned, only=only)[0][key]
    camera = replace(turned.camera, yaw_deg=12.0, yaw_se_deg=2.0, yaw_from="stick")
    back = measure_swing(replace(turned, camera=camera), only=only)[0][key]
    assert abs(as_filmed.value - square.value) > 1.9
    assert abs(back.value - square.value) < 0.4 * abs(as_filmed.value - square.value)
    assert abs(back.value - square.value) < 1.96 * back.total_se
    # The feet's say is never taken out: it is the player's as much as the camera's.
    camera = replace(turned.camera, yaw_deg=12.0, yaw_se_deg=2.0, yaw_from="feet")
    carried = measure_swing(replace(turned, camera=camera), only=only)[0][key]
    assert carried.value == pytest.approx(as_filmed.value)
    assert carried.systematic > back.systematic


def test_the_shaft_is_brought_back_too(filming, filmed_swing):
    # Seen from 15 deg away from the target a shaft that leans toward the target and out to the
    # ball leans more; the truth is the square camera's picture.
    lean = {"shaft_lean"}

    def read(yaw, **known):
        swing = filmed_swing(View.FACE_ON, yaw=yaw)
        joints = filming.swing()["P7"]
        seen = filming.picture(joints, View.FACE_ON, **(filming.BEST | {"yaw": yaw}))
        grip, butt = (np.array(seen[name]) for name in ("grip_mid", "grip_butt"))
        way = grip - butt
        track = swing.track.assign(
            shaft_angle=("time", np.full(swing.track.sizes["time"], np.arctan2(-way[1], way[0]))),
            shaft_angle_se=("time", np.full(swing.track.sizes["time"], 0.01)),
        )
        swing = replace(swing, track=track, camera=replace(swing.camera, **known))
        return measure_swing(swing, only=lean)[0]["shaft_lean@P7"].value

    true, raw = read(0.0), read(15.0)
    back = read(15.0, yaw_deg=15.0, yaw_se_deg=2.0, yaw_from="stick")
    assert abs(raw - true) > 5.0
    assert abs(back - true) < 0.3 * abs(raw - true)


def test_a_stick_outweighs_the_player_and_its_fault_is_said(filming, filmed_swing):
    swing = filmed_swing(View.FACE_ON, yaw=11.0)
    track = swing.track
    for side in ("lead", "trail"):  # heels, which the stick golfer lacks
        heel = track.sel(keypoint=[f"{side}_ankle"]).assign_coords(keypoint=[f"{side}_heel"])
        track = xr.concat([track, heel], dim="keypoint")
    swing = replace(swing, track=track)

    def stand(stick):
        return find_standing(
            swing,
            swing.positions[Position.P1].time.s,
            roll_deg=0.0,
            ground=horizon(filming, swing),
            scale=swing.scale,
            stick=stick,
        )

    stood = stand(stick_on(filming, View.FACE_ON, yaw=11.0))
    assert stood.yaw_from == "stick"
    assert "by the stick the camera is 10° off" in square_line(View.FACE_ON, stood)
    assert "away from the target" in square_line(View.FACE_ON, stood)
    faulty = stand(((500, 1500), (505, 1500)))
    assert faulty.yaw_from == "feet and ball"
    assert "The stick was not used: the two ends" in square_line(View.FACE_ON, faulty)


@pytest.mark.parametrize(
    ("yaw", "se", "words"),
    [
        (10.7, 4.0, "probably not: by feet and ball the camera is about 11° off (3 to 19°)"),
        (-10.7, 8.0, "do not speak against it (11° ± 8°), but up to 26° off could not be told"),
        (2.0, 4.0, "up to 10° off could not be told from a player who aims elsewhere"),
    ],
)
def test_what_the_player_shows_is_never_said_surer_than_it_is(yaw, se, words):
    standing = Standing(
        yaw_deg=yaw, yaw_se_deg=se, distance_cm=400.0, height_cm=100.0, yaw_from="feet and ball"
    )
    assert words in square_line(View.FACE_ON, standing)


def test_a_camera_that_points_past_the_player_is_said():
    standing = Standing(
        yaw_deg=0.0, yaw_se_deg=4.0, distance_cm=400.0, height_cm=100.0, pan_deg=-12.9
    )
    assert "points 13° past the player" in square_line(View.FACE_ON, standing)
