"""A lesson's evidence in one call and as text."""

from __future__ import annotations

import numpy as np
import pytest

from lessonmark.evidence.change import Verdict
from lessonmark.evidence.report import MeasureInStages, judge_lesson, report_rows, report_text
from lessonmark.measures.measured import Measured
from lessonmark.words import Stage


def measure(key, shift, *, seed, count=6, drill=(), **more):
    rng = np.random.default_rng(seed)

    def stage(mean):
        return [
            Measured(value=float(v), se=0.5, systematic=0.5) for v in mean + rng.normal(0, 1, count)
        ]

    stages = {Stage.BEFORE: stage(10.0), Stage.AFTER: stage(10.0 + shift)}
    if drill:
        stages[Stage.DRILL] = [Measured(value=v, se=0.5, systematic=0.5) for v in drill]
    return MeasureInStages(key=key, name=key.replace("_", " "), unit="deg", stages=stages, **more)


def lesson():
    return judge_lesson(
        [
            measure("side_bend", 8.0, seed=1, smallest_worth=4, direction="more"),
            measure("hinge", 0.0, seed=2, smallest_worth=4, direction="less"),
        ],
        [measure(f"other_{i}", 9.0 if i == 3 else 0.0, seed=10 + i) for i in range(6)],
    )


def test_focus_is_judged_in_the_coachs_order_and_the_rest_are_leads():
    got = lesson()
    assert [f.change.verdict for f in got.focus] == [Verdict.CHANGED, Verdict.NOT_CHANGED]
    assert [f.change.focus_count for f in got.focus] == [2, 2]
    assert [e.measure.key for e in got.leads if e.lead.is_lead] == ["other_3"]


def test_drill_swings_never_enter_the_verdict():
    plain = judge_lesson([measure("side_bend", 8.0, seed=1)])
    drilled = judge_lesson([measure("side_bend", 8.0, seed=1, drill=(90.0, 95.0))])
    assert plain.focus[0].change == drilled.focus[0].change
    assert plain.focus[0].during is None


def test_drill_swings_are_shown_beside_the_verdict():
    got = judge_lesson([measure("side_bend", 8.0, seed=1, drill=(15.0, 16.0, 17.0))])
    assert got.focus[0].during.difference == pytest.approx(6.0, abs=1.0)
    text = " ".join(report_text(got).split())
    assert "a drill's swings are no part of the verdict" in text
    assert "look again in a week" in text


def test_a_lucky_scatter_is_steadied_by_the_units_prior():
    one = measure("side_bend", 0.0, seed=1)
    lucky = [Measured(value=10 + d, se=0.01, systematic=0) for d in (0.0, 0.01, 0.02)]
    after = [Measured(value=10.5 + d, se=0.01, systematic=0) for d in (0.0, 0.01, 0.02)]
    stages = {Stage.BEFORE: lucky, Stage.AFTER: after}
    got = judge_lesson([MeasureInStages(key="x", name="x", unit=one.unit, stages=stages)])
    assert got.focus[0].change.p < 0.001
    assert got.focus[0].change.verdict is Verdict.NOT_SETTLED


def test_a_stage_that_is_missing_is_too_few():
    alone = measure("side_bend", 8.0, seed=1)
    only = MeasureInStages(
        key="x", name="x", unit="deg", stages={Stage.BEFORE: alone.stages[Stage.BEFORE]}
    )
    got = judge_lesson([only])
    assert got.focus[0].change.verdict is Verdict.TOO_FEW
    assert report_rows(got)[1] == ("x", "6 swings", "0 swings", "", "", "too few swings")


def test_table_has_a_row_a_focus_measure():
    rows = report_rows(lesson())
    assert rows[0][0] == "measure"
    assert [row[0] for row in rows[1:]] == ["side bend", "hinge"]
    assert [row[-1] for row in rows[1:]] == ["changed", "not changed"]
    assert len({len(row) for row in rows}) == 1


@pytest.mark.parametrize("depth", ["player", "coach", "analyst"])
def test_text_fits_a_terminal_and_names_leads_as_leads(depth):
    text = report_text(lesson(), depth=depth)
    assert max(map(len, text.splitlines())) <= 78
    assert "Other 3 may have moved too" in text
    assert "a lead to look at, not a finding" in " ".join(text.split())


def test_text_says_when_nothing_else_stands_out():
    focus = [measure("side_bend", 8.0, seed=1)]
    assert "No other measures were given." in report_text(judge_lesson(focus))
    still = [measure(f"other_{i}", 0.0, seed=20 + i) for i in range(3)]
    assert "Nothing stands out among 3 other measures." in report_text(judge_lesson(focus, still))


def test_a_measure_given_twice_is_refused():
    one = measure("side_bend", 8.0, seed=1)
    with pytest.raises(ValueError, match="once"):
        judge_lesson([one], [one])
