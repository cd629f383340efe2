"""A stick of known length on a demo clip, laid by the camera that the clip was rendered with."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from lessonmark.lessons.clip_check import check_clip
from lessonmark.words import Handedness, View

DEMO = Path(__file__).parents[2] / "demo"
CLIP = "before/face-on/clip_00.mp4"
LENGTH_CM = 120.0


@pytest.fixture(scope="module")
def truth():
    return json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))[CLIP]


def stick_on(camera):
    """Project the two ends of a stick on the ground, a little beyond the ball."""
    turn, place = np.array(camera["R0"]), np.array(camera["t0"])
    ends = []
    for along in (-LENGTH_CM / 200, LENGTH_CM / 200):
        x, y, z = turn @ np.array([along, 1.3, 0.0]) + place
        ends.append((camera["fx"] * x / z + camera["cx"], camera["fy"] * y / z + camera["cy"]))
    return tuple(ends)


@pytest.mark.network_weights
def test_a_sticks_length_gives_the_centimetres_alone_and_flags_a_wrong_height(truth, tmp_path):
    camera = truth["camera"]

    def check(stature_cm):
        return check_clip(
            DEMO / "lesson" / CLIP,
            tmp_path / "check.jpg",
            view=View.FACE_ON,
            handedness=Handedness.RIGHT,
            stature_cm=stature_cm,
            stick=stick_on(camera),
            stick_cm=LENGTH_CM,
        )

    alone = check(None)
    assert alone.centimetres.startswith("centimetres from reference, ")
    assert alone.camera.distance_cm == pytest.approx(100 * camera["distance"], rel=0.06)
    assert alone.camera.height_cm == pytest.approx(100 * camera["height"], rel=0.06)
    # She is 184 cm tall: entered as 150, it and the stick do not agree.
    assert round(100 * truth["stature"]) == 184
    assert "in doubt: reference and stature differ" in check(150.0).centimetres
