"""Errors that both hips share: a belt's tilt is surer for them, its height less sure."""

from __future__ import annotations

from lessonmark.measures import systematic
from lessonmark.measures.measuring import measure_swing
from lessonmark.words import View


def test_a_shared_error_leaves_the_tilt_and_moves_the_height(filmed_swing, monkeypatch):
    swing = filmed_swing(View.FACE_ON, noise_px=4.0)

    def said() -> tuple[float, float]:
        measured, _ = measure_swing(swing, only={"pelvis_tilt", "pelvis_rise"})
        return measured["pelvis_tilt@P7"].systematic, measured["pelvis_rise@P7"].systematic

    together = said()
    monkeypatch.setattr(systematic, "HIPS_TOGETHER", (0.0, 0.0))
    apart = said()
    assert together[0] < 0.95 * apart[0]
    assert together[1] > 1.02 * apart[1]
