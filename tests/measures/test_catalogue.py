"""The catalogue is whole, documented and drawn."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lessonmark.errors import CannotMeasure
from lessonmark.measures.page import catalogue_rows, measures_page
from lessonmark.measures.posture import Posture
from lessonmark.measures.registry import catalogue, entry, measure
from lessonmark.words import View

DOCS = Path(__file__).parents[2] / "docs" / "measures.md"
# The first catalogue, as it was agreed on, with the two parts of tempo beside it.
AGREED = {
    "shoulder_tilt", "pelvis_tilt", "trunk_lean", "side_bend", "forward_bend", "neck_flex",
    "eye_tilt", "trail_elbow_flex", "lead_elbow_flex", "trail_knee_flex", "lead_knee_flex",
    "pelvis_shift", "head_shift", "pelvis_rise", "head_rise", "pelvis_out", "hinge", "shaft_lean",
    "handle_offset", "hand_radius", "head_radius", "release_rate", "shift_lead", "tempo",
    "hand_speed", "head_speed", "clearance",
}  # fmt: skip


def test_every_agreed_measure_is_in_the_catalogue():
    assert {e.id for e in catalogue()} >= AGREED


def test_the_docs_page_is_made_from_the_catalogue():
    assert DOCS.read_text() == measures_page(), "run python -m lessonmark.measures.page"


def test_every_entry_says_all_that_a_reader_needs():
    for row in catalogue_rows():
        for name, text in vars(row).items():
            assert text.strip(), f"{row.id} has no {name}"


def test_an_id_can_be_taken_once_only():
    with pytest.raises(ValueError, match="two measures called tempo"):
        measure(
            id="tempo", name="x", views={View.FACE_ON}, unit="", reads="", sign="",
            definition="", draws=(),
        )(lambda p: 0.0)  # fmt: skip


def test_an_unknown_id_is_a_key_error():
    with pytest.raises(KeyError):
        entry("swagger")


# Angles by another route: complex numbers, and the law of cosines.
@pytest.mark.parametrize("seed", range(5))
def test_angles_agree_with_the_law_of_cosines_and_complex_arguments(seed):
    rng = np.random.default_rng(seed)
    joints = ("shoulder", "hip", "elbow", "wrist", "knee", "ankle", "ear", "eye")
    names = [f"{side}_{joint}" for side in ("lead", "trail") for joint in joints]
    points = {name: rng.uniform(-80, 80, 2) for name in names}
    plain = Posture.of(points, shaft_deg=-40.0)
    posture = Posture.of(points, shaft_deg=-40.0, start=plain)

    def cosines(a, b, c):
        ab, bc, ac = (np.hypot(*(points[p] - points[q])) for p, q in ((a, b), (b, c), (a, c)))
        return np.degrees(np.arccos((ab**2 + bc**2 - ac**2) / (2 * ab * bc)))

    for side in ("lead", "trail"):
        for id, a, b, c in (
            (f"{side}_elbow_flex", "shoulder", "elbow", "wrist"),
            (f"{side}_knee_flex", "hip", "knee", "ankle"),
        ):
            inner = cosines(*(f"{side}_{joint}" for joint in (a, b, c)))
            assert entry(id).at(posture) == pytest.approx(180 - inner, abs=1e-9)
    middle = {j: (points[f"lead_{j}"] + points[f"trail_{j}"]) / 2 for j in ("hip", "shoulder")}
    trunk = complex(*(middle["shoulder"] - middle["hip"]))
    # Multiplying by i turns + a quarter: from along to up.
    lean = np.degrees(np.angle(trunk / 1j))
    assert entry("trunk_lean").at(posture) == pytest.approx(lean, abs=1e-9)
    arm = complex(*(points["lead_elbow"] - points["lead_wrist"]))
    shaft = np.exp(1j * np.radians(-40.0))
    assert entry("hinge").at(posture) == pytest.approx(abs(np.degrees(np.angle(arm / shaft))))


def test_a_short_line_is_refused_and_not_given_a_direction():
    shoulders = {f"{side}_shoulder": (0, 1) for side in ("lead", "trail")}
    points = shoulders | {f"{side}_hip": (0, 0) for side in ("lead", "trail")}
    with pytest.raises(CannotMeasure, match="end on"):
        entry("trunk_lean").at(Posture.of(points))


@pytest.mark.parametrize(
    ("across_cm", "told"), [(40, True), (15, True), (13, False), (-13, False), (-15, True)]
)
def test_shoulders_one_above_the_other_have_a_turn_and_no_tilt(across_cm, told):
    # 40 cm wide at address; 35 % of it must lie across the picture, whichever way the chest faces.
    address = Posture.of({"lead_shoulder": (20, 140), "trail_shoulder": (-20, 140)})
    half = across_cm / 2
    points = {"lead_shoulder": (half, 130), "trail_shoulder": (-half, 150)}
    posture = Posture.of(points, start=address)
    if not told:
        with pytest.raises(CannotMeasure, match="end on"):
            entry("shoulder_tilt").at(posture)
        return
    wanted = -np.degrees(np.arctan2(20, abs(across_cm)))
    assert entry("shoulder_tilt").at(posture) == pytest.approx(wanted, abs=1e-9)
