"""The clubhead's path against an obstacle on the ball's line, both filmed by OpenCV's projector."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from lessonmark.measures.measuring import measure_swing
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Position, View


@pytest.fixture
def marked(filmed_swing, filming):
    """Give a function that marks an obstacle so far above the clubhead at rest, and a club track.

    From P7 on the clubhead rests at the ball, so that the distance is known to the eye.
    """

    def mark(above_cm, *, missed=()):
        swing = filmed_swing(View.FACE_ON)
        joints = filming.swing()["P7"]
        head = joints["ball"]
        # Square corners in the ball's plane, right above the clubhead.
        tall = above_cm + 30
        corners = [(-20.0, above_cm), (20.0, above_cm), (20.0, tall), (-20.0, tall)]
        points = {f"corner{k}": head + np.array([a, 0.0, u]) for k, (a, u) in enumerate(corners)}
        px = filming.picture(joints | points | {"clubhead": head}, View.FACE_ON, **filming.BEST)
        club = swing.track.sel(keypoint=["grip_mid"]).assign_coords(keypoint=["clubhead"])
        club["position"] = club["position"] * 0 + np.array(px["clubhead"])[None, :, None]
        club["visibility"] = club["visibility"].copy()
        for s in missed:  # predicted from the frames around, as the club's track has it
            club["visibility"].loc[{"time": club.time.sel(time=s, method="nearest")}] = 0.0
        times = {Position.P4: 1.5, Position.P6: 1.55, Position.P7: 1.6, Position.P8: 1.65}
        found = {p: swing.positions[p] for p in (Position.P1,)} | {
            p: PositionTime(position=p, time=Time(s=s, se=1e-4), how="set")
            for p, s in times.items()
        }
        return replace(
            swing,
            track=xr.concat([swing.track, club], dim="keypoint"),
            positions=SwingPositions(found=found),
            obstacle=tuple((float(px[n][0]), float(px[n][1])) for n in points),
        )

    return mark


@pytest.mark.parametrize("above_cm", [5.0, 20.0, 40.0])
def test_an_obstacle_beside_the_ball_is_as_far_as_it_truly_is(marked, above_cm):
    got = measure_swing(marked(above_cm), only={"clearance"})[0]["clearance"]
    assert abs(got.value - above_cm) < 1.96 * got.total_se
    assert got.total_se < 8.0


def test_a_club_missed_in_a_single_frame_is_read_from_those_around(marked):
    whole = measure_swing(marked(20.0), only={"clearance"})[0]["clearance"]
    measured, refused = measure_swing(marked(20.0, missed=[1.57]), only={"clearance"})
    assert refused == {}
    assert measured["clearance"].value == pytest.approx(whole.value, abs=0.1)


@pytest.mark.parametrize(
    ("missed", "said"),
    [
        ([1.56, 1.57, 1.58], "the club is lost from sight for 40 ms of its way"),
        (np.arange(1.56, 2.0, 0.01), "the club was not found here"),
    ],
    ids=["longer", "to the end"],
)
def test_a_club_that_is_lost_for_longer_is_refused_and_nothing_is_said_to_hide_it(
    marked, missed, said
):
    refused = measure_swing(marked(20.0, missed=missed), only={"clearance"})[1]["clearance"]
    assert refused.reason == said
    assert "hidden" not in refused.reason
    assert refused.do


def test_without_an_obstacle_that_is_what_is_said(marked):
    swing = replace(marked(20.0, missed=np.arange(1.5, 1.7, 0.01)), obstacle=None)
    refused = measure_swing(swing, only={"clearance"})[1]["clearance"]
    assert refused.reason == "no obstacle is marked on this clip"
