"""What a swing remembers between readings changes none of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lessonmark.measures.disturbance import Disturbance, Key
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.reading import Reading
from lessonmark.measures.registry import entry
from lessonmark.words import Position, View

KNOTS = np.linspace(0.3, 1.7, 20)
WAVE = np.stack([np.sin(9 * KNOTS), np.cos(7 * KNOTS)], axis=1)
DISTURBANCES = {
    "nothing": Disturbance(),
    "camera": Disturbance(
        roll_deg=2.0, yaw_deg=-6.0, pitch_deg=3.0, distance_share=0.2, scale_share=0.02
    ),
    "one side": Disturbance(named={"lead_hip": np.array([3.0, -2.0])}),
    "drift": Disturbance(drifts={"trail_hip": np.array([4.0, 1.0])}),
    "one point": Disturbance(points={Key("lead_hip", ""): np.array([1.0, 2.0])}),
    "depth": Disturbance(depths={Key("trail_hip", ""): 0.03}, yaw_deg=5.0),
    "waves": Disturbance(waves={"lead_hip": WAVE}, knots=KNOTS),
}


@pytest.mark.parametrize("disturbed", DISTURBANCES.values(), ids=DISTURBANCES)
def test_a_path_is_the_point_at_each_of_its_times(filmed_swing, disturbed):
    reading = Reading(
        swing=filmed_swing(View.FACE_ON), entry=entry("backswing_time"), position=None
    )
    reading.value()  # a drift goes from the first position that is read to the last
    swing = reading._swing(disturbed)
    times = np.arange(0.5, 1.0, 0.013)
    one_by_one = np.array([swing.at(float(s))["mid_hip"] for s in times])
    assert swing.path("mid_hip", times) == pytest.approx(one_by_one, abs=1e-9)


@pytest.mark.parametrize("view", list(View))
def test_a_measure_is_the_same_alone_and_after_all_the_others(filmed_swing, view):
    swing = filmed_swing(view)
    together, _ = measure_swing(swing)
    for name in {key.split("@")[0] for key in together}:
        alone, _ = measure_swing(replace(swing), only={name})
        assert alone == {key: together[key] for key in alone}
    assert len(together) > 20


def test_the_same_instant_is_read_with_each_positions_own_depth(filmed_swing):
    """A curve along the swing blends both: neither may be the other's, remembered."""
    swing = filmed_swing(View.FACE_ON)

    def read(seen, position, at_s):
        reading = Reading(swing=seen, entry=entry("shoulder_tilt"), position=position)
        late = at_s - swing.positions[position].time.s
        return reading.value(Disturbance(times={position: late}))

    alone = [read(replace(swing), p, 1.25) for p in (Position.P4, Position.P7)]
    one_after_the_other = [read(swing, p, 1.25) for p in (Position.P4, Position.P7)]
    assert one_after_the_other == alone
    assert abs(alone[0] - alone[1]) > 0.01


def test_what_is_remembered_cannot_be_written_over(filmed_swing):
    swing = filmed_swing(View.FACE_ON)
    reading = Reading(swing=swing, entry=entry("backswing_time"), position=None)
    hip = reading._swing(Disturbance()).at(0.5)["lead_hip"]
    with pytest.raises(ValueError, match="read-only"):
        hip[0] = 0.0
