"""A lesson's retest: what to film, and what it shows beside the forecast."""

from __future__ import annotations

from dataclasses import replace

from lessonmark.lessons.findings import Findings, PlayerFacts
from lessonmark.lessons.judging import judge_clips
from lessonmark.lessons.lesson_file import FocusEntry
from lessonmark.lessons.lesson_retest import lesson_retest
from lessonmark.words import Handedness, Stage


def findings(clip, *, retest: list[float]) -> Findings:
    clips = [clip(n, Stage.BEFORE, 12 + 0.3 * n, 130.0) for n in range(5)]
    clips += [clip(n, Stage.AFTER, 8 + 0.3 * n, 130.0) for n in range(5)]
    clips += [clip(n, Stage.RETEST, value, 130.0) for n, value in enumerate(retest)]
    focus = FocusEntry(measure="pelvis_shift@P6", direction="less", smallest_worth=2)
    judged = judge_clips([focus], clips, camera_moved={})
    return Findings(
        lesson_title="Test",
        date="2026-11-14",
        player=PlayerFacts(name="", handedness=Handedness.RIGHT, stature_cm=180),
        club="7-iron",
        club_length_cm=94,
        drill="",
        clips=tuple(clips),
        problems=(),
        focus=judged.focus,
        side_effects=(),
        not_measured={},
        cautions=(),
        scale_note="",
        software="test",
    )


def test_before_a_retest_it_says_what_to_film(measured_clip):
    lines = lesson_retest(findings(measured_clip, retest=[]))
    assert "hip shift at p6" in " ".join(lines).lower()


def test_a_retest_stands_beside_its_forecast(measured_clip):
    plain = lesson_retest(findings(measured_clip, retest=[]))
    kept = lesson_retest(findings(measured_clip, retest=[8.2, 8.6, 9.0, 8.4]))
    gone = lesson_retest(findings(measured_clip, retest=[12.2, 12.6, 13.0, 12.4]))
    assert len(kept) == len(gone) == len(plain) + 1
    assert kept[-1] != gone[-1]


def test_without_focus_it_asks_for_plain_swings(measured_clip):
    assert len(lesson_retest(replace(findings(measured_clip, retest=[]), focus=()))) == 1
