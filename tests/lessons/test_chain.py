"""The coach's chain on a lesson whose swings are made so that one link holds."""

from __future__ import annotations

import numpy as np

from lessonmark.lessons.chain import check_coachs_chain
from lessonmark.lessons.findings import ClipFinding
from lessonmark.lessons.lesson_file import ChainEntry
from lessonmark.words import Stage

CHAIN = (
    ChainEntry(step="early slide", measure="pelvis_shift@P6"),
    ChainEntry(step="late arms", measure="hinge@P6"),
)


def lesson(clip, *, coupled: bool) -> list[ClipFinding]:
    rng = np.random.default_rng(4)
    clips = []
    for stage in (Stage.BEFORE, Stage.AFTER):
        for number in range(8):
            slide = rng.normal(10, 2)
            hinge = 130 + (3 * (slide - 10) if coupled else 0) + rng.normal(0, 1)
            clips.append(clip(number, stage, slide, hinge))
    return clips


def test_a_link_that_every_swing_shows_is_supported(measured_clip):
    first, caution = check_coachs_chain(CHAIN, lesson(measured_clip, coupled=True), {})
    assert first.startswith("Early slide and late arms: these swings support it")
    assert "need not be cause" in caution


def test_no_sentence_shows_a_measures_key(measured_clip):
    flat = [measured_clip(n, Stage.BEFORE, 10.0, 130.0) for n in range(5)]
    said = " ".join(check_coachs_chain(CHAIN, flat, {}))
    assert "cannot speak" in said
    assert "@" not in said


def test_a_chain_of_one_step_says_nothing(measured_clip):
    assert check_coachs_chain(CHAIN[:1], lesson(measured_clip, coupled=True), {}) == ()
