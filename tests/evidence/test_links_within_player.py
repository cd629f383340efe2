"""What moves with what, against scipy and pingouin."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pingouin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from lessonmark.evidence.links import (
    ChainStep,
    LinkVerdict,
    SwingValues,
    associate,
    check_chain,
    what_moves_together,
)
from lessonmark.measures.measured import Measured


def swings(columns, stages, se=1e-6):
    return [
        SwingValues(
            stage=stage,
            values={
                key: Measured(value=float(values[i]), se=se, systematic=0.0)
                for key, values in columns.items()
            },
        )
        for i, stage in enumerate(stages)
    ]


def related(seed, n, strength, *, stages=("before",)):
    rng = np.random.default_rng(seed)
    x = rng.normal(0, 1, n)
    y = strength * x + rng.normal(0, 1, n)
    names = [stages[i % len(stages)] for i in range(n)]
    return {"x": x, "y": y}, names


def test_one_stage_is_pearsons_correlation_with_fishers_interval():
    columns, stages = related(1, 14, 1.0)
    got = associate(swings(columns, stages), "x", "y")
    reference = stats.pearsonr(columns["x"], columns["y"])
    interval = reference.confidence_interval()
    assert got.r == pytest.approx(reference.statistic)
    assert got.p == pytest.approx(reference.pvalue)
    assert (got.low, got.high) == pytest.approx((interval.low, interval.high))


def test_several_stages_are_the_partial_correlation_given_the_stage():
    columns, stages = related(2, 24, 0.8, stages=("before", "drill", "after"))
    frame = pd.DataFrame(columns)
    frame["d1"] = [float(s == "drill") for s in stages]
    frame["d2"] = [float(s == "after") for s in stages]
    reference = pingouin.partial_corr(frame, "x", "y", ["d1", "d2"])
    got = associate(swings(columns, stages), "x", "y")
    assert got.r == pytest.approx(float(reference["r"].iloc[0]), abs=1e-9)
    column = next(c for c in reference.columns if c.startswith("p"))
    assert got.p == pytest.approx(float(reference[column].iloc[0]), rel=1e-6)
    low, high = reference[next(c for c in reference.columns if c.startswith("CI95"))].iloc[0]
    assert (got.low, got.high) == pytest.approx((low, high), abs=0.005 + 1e-9)


def test_published_interval_of_a_correlation():
    # Fisher's z, worked: r 0.5, n 28: z 0.5493, SE 1 / sqrt(25) = 0.2, interval 0.1573 to 0.9413
    # in z, 0.156 to 0.736 in r (DERIVED from Fisher 1921).
    x = np.linspace(-1, 1, 28)
    noise = stats.zscore(np.cos(9 * x))
    x, noise = stats.zscore(x), noise - (noise @ stats.zscore(x)) / 28 * stats.zscore(x)
    y = 0.5 * x + np.sqrt(0.75) * noise / noise.std()
    got = associate(swings({"x": x, "y": y}, ["before"] * 28), "x", "y")
    assert got.r == pytest.approx(0.5, abs=1e-9)
    assert (got.low, got.high) == pytest.approx((0.156, 0.736), abs=1e-3)


def test_the_lessons_own_change_makes_no_link():
    rng = np.random.default_rng(3)
    shift = np.repeat([0.0, 30.0], 10)
    columns = {"x": rng.normal(0, 1, 20) + shift, "y": rng.normal(0, 1, 20) + shift}
    assert stats.pearsonr(columns["x"], columns["y"]).statistic > 0.98
    got = associate(swings(columns, ["before"] * 10 + ["after"] * 10), "x", "y")
    assert got.p > 0.05


def test_a_single_swing_carries_no_link():
    rng = np.random.default_rng(4)
    columns = {"x": rng.normal(0, 1, 12), "y": rng.normal(0, 1, 12)}
    columns["x"][5] += 12
    columns["y"][5] += 12
    rows = swings(columns, ["before"] * 12)
    got = associate(rows, "x", "y")
    assert got.p < 0.001
    assert got.p_without > 0.05
    link = check_chain(rows, [ChainStep(key="x"), ChainStep(key="y")])[0]
    assert link.verdict is LinkVerdict.CANNOT_SPEAK
    assert link.reason == "a single swing carries it"


def test_a_chain_is_judged_link_by_link():
    rng = np.random.default_rng(5)
    slide = rng.normal(0, 1, 20)
    late = 1.5 * slide + rng.normal(0, 0.6, 20)
    shoulder = -1.5 * late + rng.normal(0, 0.8, 20)
    hands = rng.normal(0, 1, 20)
    columns = {"slide": slide, "late": late, "shoulder": shoulder, "hands": hands}
    rows = swings(columns, ["before"] * 10 + ["after"] * 10)
    chain = [ChainStep(key=key) for key in ("slide", "late", "shoulder", "hands")]
    got = check_chain(rows, chain)
    assert [link.verdict for link in got] == [
        LinkVerdict.SUPPORTED,
        LinkVerdict.CONTRADICTED,
        LinkVerdict.CANNOT_SPEAK,
    ]
    low = [*chain[:2], ChainStep(key="shoulder", sign=-1)]
    assert check_chain(rows, low)[1].verdict is LinkVerdict.SUPPORTED


def test_many_swings_without_a_link_contradict_it():
    rng = np.random.default_rng(7)
    columns = {"x": rng.normal(0, 1, 120), "y": rng.normal(0, 1, 120)}
    link = check_chain(swings(columns, ["before"] * 120), [ChainStep(key="x"), ChainStep(key="y")])[
        0
    ]
    assert link.verdict is LinkVerdict.CONTRADICTED
    assert "too weakly" in link.reason


def test_what_cannot_be_told_says_why():
    columns, stages = related(8, 12, 1.0)
    few = associate(swings(columns, stages)[:5], "x", "y")
    assert few.r is None
    assert "too few swings" in few.reason
    blurred = associate(swings(columns, stages, se=1.0), "x", "y")
    assert blurred.r is None
    assert "camera's own error" in blurred.reason
    same = associate(swings(columns, stages), "x", "y", coupled={frozenset(("x", "y"))})
    assert same.r is None
    assert "same points" in same.reason


def test_swings_that_lack_a_measure_are_left_out():
    columns, stages = related(9, 14, 1.0)
    rows = swings(columns, stages)
    rows[0] = SwingValues(stage="before", values={"x": rows[0].values["x"]})
    assert associate(rows, "x", "y").count == 13


def test_the_graph_is_screened():
    rng = np.random.default_rng(10)
    x = rng.normal(0, 1, 20)
    columns = {f"n{i}": rng.normal(0, 1, 20) for i in range(8)} | {
        "x": x,
        "y": x + rng.normal(0, 0.4, 20),
    }
    graph = what_moves_together(swings(columns, ["before"] * 20), list(columns))
    assert len(graph) == 45
    assert [(e.first, e.second) for e in graph if e.shown] == [("x", "y")]


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 1000), st.floats(0.1, 20), st.floats(-50, 50))
def test_a_link_has_no_unit_and_flips_with_the_sign(seed, scale, shift):
    columns, stages = related(seed, 12, 0.7, stages=("before", "after"))
    first = associate(swings(columns, stages), "x", "y")
    other = associate(
        swings({"x": shift - scale * columns["x"], "y": columns["y"]}, stages), "x", "y"
    )
    assert other.r == pytest.approx(-first.r, abs=1e-9)
    assert (other.low, other.high) == pytest.approx((-first.high, -first.low), abs=1e-9)


def test_links_need_two_measures():
    with pytest.raises(ValueError, match="twice"):
        associate([], "x", "x")
    with pytest.raises(ValueError, match="two steps"):
        check_chain([], [ChainStep(key="x")])
    with pytest.raises(ValueError, match="up"):
        ChainStep(key="x", sign=0)
