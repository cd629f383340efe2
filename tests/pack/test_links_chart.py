"""The graph of what moves with what: only what stands out is drawn, nothing is dropped."""

import re

import numpy as np
import pytest
from markupsafe import escape

from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.links import SwingValues, what_moves_together
from lessonmark.lessons.findings import SideEffect
from lessonmark.measures.measured import MeasureAt, Measured
from lessonmark.pack.depths import verdict_depths
from lessonmark.pack.leads import IN_SIGHT, group_leads
from lessonmark.pack.links_words import show_links
from lessonmark.pack.sheet import sheet_html
from lessonmark.words import Position, View

KEYS = ("pelvis_shift@P6", "hinge@P6", "trail_elbow_flex@P8")


def links(*, coupled, swings=16):
    draw = np.random.default_rng(5)
    made = []
    for n in range(swings):
        slide = draw.normal(0, 2)
        values = (slide, (1.5 if coupled else 0) * slide + draw.normal(), draw.normal(0, 2))
        made.append(
            SwingValues(
                stage="before" if n < swings // 2 else "after",
                values={
                    key: Measured(value=float(value), se=0.1, systematic=0.0)
                    for key, value in zip(KEYS, values, strict=True)
                },
            )
        )
    return what_moves_together(made, KEYS)


def test_a_pair_that_stands_out_is_drawn_with_its_interval():
    shown = show_links(links(coupled=True))
    assert shown.summary.startswith("3 pairs were looked at, 1 stand")
    assert "hip shift at P6 and wrist angle at P6" in shown.chart
    assert len(shown.sentences) == 1
    assert re.search(r"correlation .+95 % interval", shown.sentences[0])
    assert len(shown.others) == 2  # never dropped


def test_no_word_is_of_a_cause():
    shown = show_links(links(coupled=True))
    said = " ".join((shown.summary, shown.chart, *shown.sentences, *shown.others)).lower()
    assert not re.search(r"\bcaus|leads to|because|effect", said)


@pytest.mark.parametrize(
    ("swings", "words", "others"),
    [(16, "none stands out", 3), (4, "cannot tell what moves with what", 1)],
)
def test_without_a_pair_nothing_is_drawn(swings, words, others):
    shown = show_links(links(coupled=False, swings=swings))
    assert shown.chart == ""
    assert words in shown.summary
    assert len(shown.others) == others


def test_a_reason_is_said_once_with_its_pairs():
    (reason,) = show_links(links(coupled=False, swings=4)).others
    assert reason.startswith("Too few swings")
    assert reason.endswith("(3 pairs).")


def test_a_noisy_measure_is_named_in_words():
    noisy = [
        SwingValues(
            stage="before",
            values={
                key: Measured(value=n * (k + 1.0), se=30.0, systematic=0.0)
                for k, key in enumerate(KEYS)
            },
        )
        for n in range(9)
    ]
    said = show_links(what_moves_together(noisy, KEYS)).others
    assert any(one.startswith("Hip shift at P6 hardly varies") for one in said)
    assert not any("@" in one for one in said)


def test_no_pair_no_part():
    assert show_links(()) is None


def test_the_strongest_leads_of_each_view_are_in_sight_and_none_is_dropped():
    leads = [
        SideEffect(
            at=MeasureAt(measure="side_bend", position=position),
            view=view,
            name="side bend",
            unit="deg",
            stages=(),
            change=Change(verdict=Verdict.CHANGED, count_a=5, count_b=5),
            sentence="",
        )
        for position in Position
        for view in View
    ]
    groups = group_leads(leads)
    assert [group.view for group in groups] == list(View)
    for group in groups:
        mine = [one for one in leads if one.view is group.view]
        assert list(group.first) == mine[:IN_SIGHT]
        assert list(group.first + group.rest) == mine


def test_the_sheet_has_all_three_depths(findings_and_pictures, tmp_path):
    findings, pictures = findings_and_pictures
    page = sheet_html(findings, pictures=pictures)
    for one in findings.focus:
        coach, analyst = verdict_depths(one)
        assert escape(one.sentence) in page
        assert escape(coach) in page
        assert escape(analyst) in page
        assert "Holm" in analyst
