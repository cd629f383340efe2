"""Talking points, message and the teaching table never claim what the verdict does not."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace
from pathlib import Path

import pytest

from lessonmark.drills.library import caution_sentences, find_drill, read_library
from lessonmark.drills.wording import checkpoint_sentence, dose_sentence
from lessonmark.evidence.change import Verdict
from lessonmark.lessons.cautions import cautions_for
from lessonmark.lessons.lesson_file import read_lesson_file
from lessonmark.lessons.record import Cue, DrillSet, Lesson
from lessonmark.pack import card
from lessonmark.pack.coach_words import CoachWords, PlanLine, all_cautions
from lessonmark.pack.from_record import plan_line, words_of_record
from lessonmark.pack.message import draft_message
from lessonmark.pack.talking_points import as_text, draft_talking_points
from lessonmark.pack.teach import refused_rows, swing_rows, teach_rows
from lessonmark.pack.wording import capital, stated_quantity

DEMO_LESSON = Path(__file__).parents[2] / "demo" / "lesson"
ORDER = (
    "What it was",
    "What we set out to change",
    "What the drill did",
    "What changed, and by how much",
    "What is still there",
    "What next",
)
WORDS = CoachWords(
    causes=("The pelvis slides early.",),
    plan=(PlanLine(drill="brush past the noodle", dose="3 sets of 8", cautions=("Soft only.",)),),
    next_step="film five swings in three weeks",
)


def _by_title(findings, words=None):
    return {point.title: point.lines for point in draft_talking_points(findings, words)}


def test_points_come_in_the_order_in_which_a_coach_speaks(findings_and_pictures):
    points = draft_talking_points(findings_and_pictures[0], WORDS)
    assert tuple(point.title for point in points) == ORDER


def test_only_a_changed_measure_is_said_to_have_changed(findings_and_pictures):
    findings, _ = findings_and_pictures
    points = _by_title(findings)
    verdicts = {one.name: one.change.verdict for one in findings.focus}
    assert set(verdicts.values()) == {Verdict.CHANGED, Verdict.NOT_CHANGED, Verdict.NOT_SETTLED}
    for name, verdict in verdicts.items():
        claimed = any(capital(name) in line for line in points["What changed, and by how much"])
        kept = any(capital(name) in line for line in points["What is still there"])
        assert claimed == (verdict is Verdict.CHANGED)
        assert kept == (verdict is not Verdict.CHANGED)


@pytest.mark.parametrize("verdict", [v for v in Verdict if v is not Verdict.CHANGED], ids=str)
def test_without_a_change_none_is_claimed(findings_and_pictures, verdict):
    findings, _ = findings_and_pictures
    focus = tuple(
        replace(one, change=replace(one.change, verdict=verdict, as_wanted=None))
        for one in findings.focus
    )
    lines = _by_title(replace(findings, focus=focus, side_effects=()))
    assert lines["What changed, and by how much"] == (
        "No focus measure has changed for certain in this lesson.",
    )
    text = " ".join(lines["What is still there"])
    assert not re.search(r"has changed|better|improved|worse", text)


def test_change_is_said_with_its_difference_and_interval(findings_and_pictures):
    findings, _ = findings_and_pictures
    one = findings.focus[0]
    line = _by_title(findings)["What changed, and by how much"][0]
    numbers = [
        float(n.replace("\u2212", "-")) for n in re.findall(r"[+\u2212]?\d+(?:\.\d+)?", line)
    ]
    for value in (one.change.difference, one.change.low, one.change.high):
        assert min(abs(value - n) for n in numbers) <= 0.5


def test_drill_is_described_and_not_judged(findings_and_pictures):
    lines = _by_title(findings_and_pictures[0])["What the drill did"]
    assert any("19.0°" in line for line in lines)
    assert any("not judged" in line for line in lines)
    assert not any("changed" in line for line in lines)


def test_plan_keeps_its_cautions(findings_and_pictures):
    lines = _by_title(findings_and_pictures[0], WORDS)["What next"]
    assert "Soft only." in lines
    assert set(findings_and_pictures[0].cautions) <= set(lines)


def test_general_cautions_and_a_drills_say_the_same_in_the_same_words(findings_and_pictures):
    """What the analysis brings and what every drill of the library brings, in one list."""
    words = CoachWords(plan=tuple(plan_line(drill) for drill in read_library()))
    findings = replace(
        findings_and_pictures[0], cautions=cautions_for(read_lesson_file(DEMO_LESSON))
    )
    for lines in (all_cautions(findings, words), _by_title(findings, words)["What next"]):
        for about in ("two club lengths", "soft obstacles", "Warm up", "something hurts"):
            assert sum(about in line for line in lines) == 1, about


def test_with_several_drills_a_caution_says_which_one_it_means(findings_and_pictures):
    slow = [find_drill(read_library(), one) for one in ("posture-hold", "stop-before-ball")]
    foam = find_drill(read_library(), "head-against-foam")
    words = CoachWords(plan=tuple(plan_line(drill) for drill in (foam, *slow)))
    lines = all_cautions(findings_and_pictures[0], words)
    names = ", ".join(drill.said().name for drill in slow)
    assert f"{foam.said().name}: No ball with this drill." in lines
    assert [line for line in lines if "Slow swings" in line] == [
        f"{names}: Slow swings only: stopping a fast club hurts wrists and elbows."
    ]
    alone = CoachWords(plan=(plan_line(foam),))
    assert "No ball with this drill." in all_cautions(findings_and_pictures[0], alone)


def test_a_cue_that_stands_beside_its_drill_is_not_said_once_more(findings_and_pictures):
    words = CoachWords(
        plan=(PlanLine(drill="brush past", cue="arms down first"),),
        cues=("Arms down first.", "Long arms."),
    )
    lines = _by_title(findings_and_pictures[0], words)["What next"]
    assert lines[1:3] == ("Cue: arms down first.", "Cue: Long arms.")
    assert words.other_cues == ("Long arms.",)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [(5.0, "deg", "5°"), (2.5, "cm", "2.5\u00a0cm"), (95.0, "cm", "95\u00a0cm")],
)
def test_what_somebody_set_has_no_zero_that_says_nothing(value, unit, text):
    assert stated_quantity(value, unit) == text


def test_every_line_of_the_cards_lists_begins_with_a_capital(findings_and_pictures, monkeypatch):
    """The card is a picture: what is handed to be set is looked at."""
    handed = []
    monkeypatch.setattr(card, "typeset", lambda _, values, **__: handed.append(values) or b"")
    words = replace(
        WORDS, cues=("arms first",), next_step="film five swings face-on in three weeks"
    )
    card.card_png(findings_and_pictures[0], words=words)
    card.title_png(findings_and_pictures[0], words=words, name_on_card=False)
    card.closing_png(findings_and_pictures[0], words=words)
    items = [item for values in handed for block in values["lists"] for item in block["items"]]
    assert "Film five swings face-on in three weeks" in items
    assert [item for item in items if not item[0].isupper()] == []
    message = draft_message(findings_and_pictures[0], words)
    assert "• Arms first\n• Film five swings face-on in three weeks" in message


def test_text_keeps_every_point(findings_and_pictures):
    points = draft_talking_points(findings_and_pictures[0], WORDS)
    text = as_text(points)
    for point in points:
        assert point.title in text
        assert all(f"- {line}" in text for line in point.lines)


def test_message_is_short_and_says_the_verdicts(findings_and_pictures):
    findings, _ = findings_and_pictures
    text = draft_message(findings, WORDS)
    assert text.startswith("Hello Ada Demo,")
    assert all(one.sentence in text for one in findings.focus)
    assert len(text.split()) < 180
    assert "Ada" not in draft_message(findings, WORDS, name_in_message=False)
    assert "video" not in draft_message(findings, WORDS, has_video=False)


def test_teaching_table_shows_each_number_with_its_definition_and_moment(findings_and_pictures):
    findings, _ = findings_and_pictures
    rows = teach_rows(findings)
    assert len(rows) == len(findings.focus) + len(findings.side_effects)
    assert all(row.definition and row.sign and row.tests for row in rows)
    swings = swing_rows(findings)
    assert len(swings) == sum(len(s.values) for one in findings.focus for s in one.stages)
    # Told apart by their files' names, which a narrow screen must not cut off.
    names = [row.swing for row in swings if row.measure == swings[0].measure]
    assert len({(row.stage, row.swing) for row in swings}) == len(names)
    assert not any("/" in name for name in names)
    assert swings[0].moment == "1.44\u00a0s ± 4\u00a0ms"
    assert [row.subject for row in refused_rows(findings)] == [
        *findings.not_measured,
        *(problem.clip for problem in findings.problems),
    ]


def test_only_a_few_leads_are_spoken_of(findings_and_pictures):
    findings, _ = findings_and_pictures
    many = replace(findings, side_effects=findings.side_effects * 5)
    lines = _by_title(many)["What changed, and by how much"]
    assert "12 more leads are on the sheet." in lines
    assert sum("a lead to look at" in line for line in lines) == 3


def test_records_cues_drills_and_next_date_become_the_plan(findings_and_pictures):
    lesson = Lesson(
        next_on=datetime.date(2026, 6, 4),
        cues=[Cue(rank=1, words="Belt level.")],
        drills=[DrillSet(rank=1, name="Noodle", dose="half speed", sets=3, balls=1)],
    )
    words = words_of_record(lesson)
    assert words.plan == (PlanLine(drill="Noodle", dose="half speed, 3 sets, 1 ball"),)
    lines = _by_title(findings_and_pictures[0], words)["What next"]
    assert lines[:3] == (
        "Noodle: half speed, 3 sets, 1 ball.",
        "Cue: Belt level.",
        "Next lesson on June 4, 2026.",
    )


def test_drill_of_the_library_brings_checkpoint_and_cautions():
    drill = find_drill(read_library(), "belt-level")
    line = plan_line(drill)
    assert line.dose == dose_sentence(drill.dose)
    assert line.checkpoint == checkpoint_sentence(drill.checkpoint)
    assert line.cautions == caution_sentences(drill) != ()
    lesson = Lesson(drills=[DrillSet(rank=1, name="any", drill="belt-level", sets=1)])
    (chosen,) = words_of_record(lesson, drills=[drill]).plan
    assert (chosen.dose, chosen.cautions) == ("1 set", line.cautions)
