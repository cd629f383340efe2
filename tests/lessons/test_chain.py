"""The coach's chain on a lesson whose swings are made so that one link holds."""

from __future__ import annotations

import numpy as np

from lessonmark.lessons.chain import check_coachs_chain
from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.lessons.lesson_file import ChainEntry
from lessonmark.measures.measured import Measured
from lessonmark.positions.times import SwingPositions
from lessonmark.words import Handedness, Stage, View

CHAIN = (
    ChainEntry(step="early slide", measure="pelvis_shift@P6"),
    ChainEntry(step="late arms", measure="hinge@P6"),
)


def clip(number: int, stage: Stage, slide: float, hinge: float) -> ClipFinding:
    name = f"{stage}/{number}.mp4"
    values = {
        "pelvis_shift@P6": Measured(value=slide, se=0.1, systematic=1.0),
        "hinge@P6": Measured(value=hinge, se=0.2, systematic=5.0),
    }
    swing = SwingFinding(
        swing_id=f"{name}#1",
        clip=name,
        number=1,
        stage=stage,
        view=View.FACE_ON,
        positions=SwingPositions(),
        values=values,
        refused={},
        toward=1,
        ball=None,
        span_s=(0.0, 2.0),
    )
    return ClipFinding(
        clip=name,
        sha256="0" * 64,
        stage=stage,
        view=View.FACE_ON,
        fps_filmed=120.0,
        width=720,
        height=1280,
        duration_s=2.0,
        swings=(swing,),
        track="",
        handedness_seen=Handedness.RIGHT,
        scale=None,
        camera=None,
    )


def lesson(*, coupled: bool) -> list[ClipFinding]:
    rng = np.random.default_rng(4)
    clips = []
    for stage in (Stage.BEFORE, Stage.AFTER):
        for number in range(8):
            slide = rng.normal(10, 2)
            hinge = 130 + (3 * (slide - 10) if coupled else 0) + rng.normal(0, 1)
            clips.append(clip(number, stage, slide, hinge))
    return clips


def test_a_link_that_every_swing_shows_is_supported():
    first, caution = check_coachs_chain(CHAIN, lesson(coupled=True), {})
    assert first.startswith("Early slide and late arms: these swings support it")
    assert "need not be cause" in caution


def test_no_sentence_shows_a_measures_key():
    flat = [clip(n, Stage.BEFORE, 10.0, 130.0) for n in range(5)]
    said = " ".join(check_coachs_chain(CHAIN, flat, {}))
    assert "cannot speak" in said
    assert "@" not in said


def test_a_chain_of_one_step_says_nothing():
    assert check_coachs_chain(CHAIN[:1], lesson(coupled=True), {}) == ()
