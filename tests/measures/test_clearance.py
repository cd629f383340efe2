"""The clubhead's path against an obstacle on the ball's line, both filmed by OpenCV's projector."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from lessonmark.measures.measuring import measure_swing
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Position, View


@pytest.mark.parametrize("above_cm", [5.0, 20.0, 40.0])
def test_an_obstacle_beside_the_ball_is_as_far_as_it_truly_is(filmed_swing, filming, above_cm):
    """From P7 on the clubhead rests at the ball, so that the distance is known to the eye."""
    swing = filmed_swing(View.FACE_ON)
    joints = filming.swing()["P7"]
    head = joints["ball"]
    # Square corners in the ball's plane, right above the clubhead.
    corners = [(-20.0, above_cm), (20.0, above_cm), (20.0, above_cm + 30), (-20.0, above_cm + 30)]
    points = {f"corner{k}": head + np.array([a, 0.0, u]) for k, (a, u) in enumerate(corners)}
    px = filming.picture(joints | points | {"clubhead": head}, View.FACE_ON, **filming.BEST)
    club = swing.track.sel(keypoint=["grip_mid"]).assign_coords(keypoint=["clubhead"])
    club["position"] = club["position"] * 0 + np.array(px["clubhead"])[None, :, None]
    times = {Position.P4: 1.5, Position.P6: 1.55, Position.P7: 1.6, Position.P8: 1.65}
    found = {p: swing.positions[p] for p in (Position.P1,)} | {
        p: PositionTime(position=p, time=Time(s=s, se=1e-4), how="set") for p, s in times.items()
    }
    marked = replace(
        swing,
        track=xr.concat([swing.track, club], dim="keypoint"),
        positions=SwingPositions(found=found),
        obstacle=tuple((float(px[n][0]), float(px[n][1])) for n in points),
    )
    got = measure_swing(marked, only={"clearance"})[0]["clearance"]
    assert abs(got.value - above_cm) < 1.96 * got.total_se
    assert got.total_se < 8.0
