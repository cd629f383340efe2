"""Errors that both hips or ears share: a tilt is surer for them, a height less sure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lessonmark.measures import systematic
from lessonmark.measures.costs import camera_costs
from lessonmark.measures.depth import nearer, off_nominal
from lessonmark.measures.measuring import measure_swing
from lessonmark.words import Position, View

P1 = Position.P1


def test_a_shared_error_leaves_the_tilt_and_moves_the_height(filmed_swing, monkeypatch):
    swing = filmed_swing(View.FACE_ON, noise_px=4.0)

    def said() -> tuple[float, float]:
        measured, _ = measure_swing(swing, only={"pelvis_tilt", "pelvis_rise"})
        return measured["pelvis_tilt@P7"].systematic, measured["pelvis_rise@P7"].systematic

    together = said()
    monkeypatch.setattr(systematic, "TOGETHER", {})
    apart = said()
    assert together[0] < 0.95 * apart[0]
    assert together[1] > 1.02 * apart[1]


def test_a_head_seen_too_high_by_both_ears_is_less_sure(filmed_swing, monkeypatch):
    swing = filmed_swing(View.FACE_ON, noise_px=4.0)

    def said() -> float:
        return measure_swing(swing, only={"head_rise"})[0]["head_rise@P7"].systematic

    together = said()
    monkeypatch.setattr(systematic, "TOGETHER", {})
    assert together > 1.05 * said()


def test_a_club_off_its_usual_plane_costs_a_lean_that_is_filmed_off_square(filmed_swing):
    # A shaft that leans out by the sine m and is upright in the picture of a camera that stands
    # yaw off leans by atan(m tan yaw / sqrt(1 - m^2)) seen square: a rotation about the vertical.
    def lean(m: float) -> float:
        return float(np.degrees(np.arctan(m * np.tan(np.radians(12.0)) / np.sqrt(1 - m * m))))

    usual = (nearer("clubhead", P1, View.FACE_ON) - nearer("grip_mid", P1, View.FACE_ON)) / 0.49
    own = off_nominal("clubhead", P1, View.FACE_ON)
    swing = filmed_swing(View.FACE_ON, yaw=12.0)
    track = swing.track.assign(
        shaft_angle=("time", np.full(swing.track.sizes["time"], np.radians(-90.0))),
        shaft_angle_se=("time", np.full(swing.track.sizes["time"], 1e-3)),
    )
    known = replace(swing.camera, yaw_deg=12.0, yaw_se_deg=0.01, yaw_from="stick")
    swing = replace(swing, track=track, camera=known)
    depth = camera_costs(swing, only={"shaft_lean"})[0].by_cause["depth"]
    assert depth == pytest.approx(lean(usual + own / 0.49) - lean(usual), rel=0.05)
