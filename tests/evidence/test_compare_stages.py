"""The comparison of two stages, against published examples and reference libraries."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_ind

from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.compare import POSTURE_SHARE, adjust_focus, compare, holm
from lessonmark.evidence.degrees import guarded_df
from lessonmark.measures.measured import Measured

# Student 1908, the sleep data of Cushny & Peebles 1905 (R `sleep`), hours.
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
# R package `equivalence`, kept in statsmodels stats/tests/test_tost.py.
TOST_1A = [2.84, 2.51, 2.41, 2.95, 3.14, 3.79, 4.14, 3.85, 3.02, 3.45, 5.37, 3.81, 4.19, 3.16, 3.84]
TOST_1B = [2.60, 2.82, 2.18, 3.46, 4.01, 3.04, 3.47, 4.06, 2.91, 3.59, 4.51, 3.16, 3.86, 3.31, 3.02]
TOST_2A = [4.00, 3.26, 4.14, 3.42, 3.25, 4.34, 4.97, 4.31, 3.11, 3.41, 5.02, 4.21, 4.59, 5.30, 4.32]
TOST_2B = [3.76, 3.66, 3.65, 3.60, 3.48, 2.87, 3.24, 3.92, 3.99, 4.21, 4.21, 3.31, 3.61, 2.97, 2.73]


def swings(values, se=1e-6, systematic=0.0):
    return [Measured(value=float(v), se=se, systematic=systematic) for v in values]


def change(a, b, *, worth=0.0, direction="", camera_moved=False, **more):
    return compare(
        swings(a), swings(b), smallest_worth=worth, direction=direction,
        camera_moved=camera_moved, keep_wild=True, **more,
    )  # fmt: skip


def test_interval_and_p_agree_with_welch_on_the_sleep_data():
    # R documentation of t.test / afex compare.R: t -1.861, df 17.78, p .07939.
    got = change(SLEEP_2, SLEEP_1)
    assert got.difference / got.standard_error == pytest.approx(-1.8608134675, abs=1e-9)
    assert got.df == pytest.approx(17.7764735162, abs=1e-7)
    assert got.p == pytest.approx(0.0793941402, abs=1e-9)
    assert (got.low, got.high) == pytest.approx((-3.3654832, 0.2054832), abs=1e-6)


def test_retention_example_gives_scipys_welch_interval():
    # Made-up data; the numbers computed with scipy.stats.ttest_ind(equal_var=False).
    got = change([10.2, 9.1, 11.0, 10.4, 9.3], [18.1, 17.2, 19.0, 18.5, 17.2])
    assert got.difference == pytest.approx(8.0)
    assert got.df == pytest.approx(7.999496, abs=1e-5)
    assert (got.low, got.high) == pytest.approx((6.842382, 9.157618), abs=1e-6)
    assert got.verdict is Verdict.CHANGED


@pytest.mark.parametrize(
    ("a", "b", "difference", "error", "df", "p"),
    [
        (TOST_1B, TOST_1A, 0.1646667, 0.2531626, 26.7484788, 0.0485308398),
        (TOST_2B, TOST_2A, 0.5626667, 0.2149872, 24.1100015, 0.4317936813),
    ],
    ids=["var1", "var2"],
)
def test_two_one_sided_tests_agree_with_r_equivalence(a, b, difference, error, df, p):
    # statsmodels stats/tests/test_tost.py, results of R's `equivalence`, margin 0.6, Welch.
    got = change(a, b, worth=0.6)
    assert got.difference == pytest.approx(difference, abs=1e-7)
    assert got.standard_error == pytest.approx(error, abs=1e-7)
    assert got.df == pytest.approx(df, abs=1e-6)
    assert got.p_not_changed == pytest.approx(p, abs=1e-9)
    assert got.p_not_changed == pytest.approx(
        ttost_ind(np.array(b), np.array(a), -0.6, 0.6, usevar="unequal")[0], abs=1e-9
    )


def test_second_welch_case_of_the_references():
    # The second pair of R's `equivalence` data (statsmodels stats/tests/test_tost.py): Welch's t
    # 2.6172101950, p 0.0150731310, computed with scipy.stats.ttest_ind.
    got = change(TOST_2B, TOST_2A)
    assert got.difference / got.standard_error == pytest.approx(2.6172101950, abs=1e-8)
    assert got.p == pytest.approx(0.0150731310, abs=1e-9)


@pytest.mark.parametrize(
    ("p", "adjusted"),
    [
        # pingouin's manual of `multicomp`, method holm.
        ([0.50, 0.003, 0.32, 0.054, 0.0003], [0.64, 0.012, 0.64, 0.162, 0.0015]),
        # Holm 1979's rule, computed with statsmodels.
        ([0.01, 0.04, 0.03, 0.005], [0.03, 0.06, 0.06, 0.02]),
    ],
)
def test_holm_agrees_with_published_tables(p, adjusted):
    assert holm(p) == pytest.approx(adjusted)


@settings(deadline=None, max_examples=15)  # the library collects garbage at every call
@given(st.lists(st.floats(0, 1), min_size=1, max_size=8))
def test_holm_agrees_with_statsmodels(p):
    assert holm(p) == pytest.approx(list(multipletests(p, method="holm")[1]))


def test_fewer_than_three_swings_say_nothing_but_the_count():
    got = change([1.0, 2.0], [5.0, 6.0, 7.0], worth=1.0, direction="more")
    assert got == Change(
        verdict=Verdict.TOO_FEW, count_a=2, count_b=3, smallest_worth=1.0, direction="more"
    )


@pytest.mark.parametrize(
    ("b", "worth", "verdict"),
    [
        ([20.0, 21.0, 19.5, 20.5, 20.2], 5.0, Verdict.CHANGED),
        ([10.1, 10.9, 9.4, 10.6, 10.2], 5.0, Verdict.NOT_CHANGED),
        ([10.1, 10.9, 9.4, 10.6, 10.2], 0.0, Verdict.NOT_SETTLED),
        ([12.0, 17.0, 7.5, 13.0, 9.0], 2.0, Verdict.NOT_SETTLED),
    ],
)
def test_each_verdict_has_its_case(b, worth, verdict):
    assert change([10.0, 11.0, 9.5, 10.5, 10.2], b, worth=worth).verdict is verdict


@pytest.mark.parametrize(
    ("direction", "wanted"), [("more", True), ("less", False), ("", None)], ids=str
)
def test_direction_is_judged_only_where_the_coach_set_one(direction, wanted):
    got = change([10.0, 11.0, 9.5], [20.0, 21.0, 19.5], direction=direction)
    assert got.verdict is Verdict.CHANGED
    assert got.as_wanted is wanted


def test_a_change_too_small_to_be_worth_having_is_still_a_change():
    # DESIGN 8: 'changed' asks for an interval without zero, beyond the detectable change.
    rng = np.random.default_rng(5)
    a = rng.normal(0, 0.2, 10)
    got = change(a, a[::-1] + 1.0, worth=5.0)
    assert got.p_not_changed < 0.001
    assert got.verdict is Verdict.CHANGED


def test_camera_that_moved_adds_its_part_and_can_unsettle_a_change():
    a, b = swings([10, 11, 9.5, 10.4], systematic=3.0), swings([15, 16, 14.5, 15.2], systematic=4.0)
    still = compare(a, b, smallest_worth=2, direction="", camera_moved=False)
    moved = compare(a, b, smallest_worth=2, direction="", camera_moved=True)
    assert still.verdict is Verdict.CHANGED
    assert moved.verdict is Verdict.NOT_SETTLED
    assert moved.camera_part == pytest.approx(5.0)  # hypot(3, 4)
    posture = POSTURE_SHARE * math.hypot(3.0, 4.0) / math.sqrt(2)
    scatter = math.sqrt(still.standard_error**2 - posture**2)
    assert moved.standard_error == pytest.approx(math.hypot(scatter, 5.0))
    assert moved.df > still.df


def test_detectable_change_is_weirs():
    # Weir 2005: MD95 = 1.96 sqrt(2) SEM for single trials; means of n a side: SEM sqrt(2 / n).
    got = change([10.0, 12.0, 14.0, 12.0, 12.0], [10.0, 12.0, 14.0, 12.0, 12.0])
    sem = math.sqrt(8 / 4)
    assert got.detectable == pytest.approx(1.96 * sem * math.sqrt(2 / 5), rel=1e-4)


def test_a_scatter_known_from_elsewhere_steadies_the_detectable_change_only():
    from lessonmark.evidence.scatter import Scatter, ScatterSource

    a, b = [10.0, 10.1, 10.2], [10.8, 10.9, 11.0]
    plain = change(a, b)
    known = change(a, b, scatter=Scatter(sd=3.0, df=40, source=ScatterSource.PLAYER))
    assert plain.verdict is Verdict.CHANGED
    assert known.verdict is Verdict.NOT_SETTLED
    assert (known.low, known.high, known.p) == (plain.low, plain.high, plain.p)


def test_three_focus_measures_are_decided_together():
    before = np.array([-1.2, -0.5, 0.0, 0.4, 1.3])
    one = change(before, before + 1.9)
    assert one.verdict is Verdict.CHANGED
    three = adjust_focus([one, change(SLEEP_1, SLEEP_1), change(SLEEP_2, SLEEP_2)])
    assert one.p_adjusted > 0.05 / 3
    assert three[0].p_adjusted == pytest.approx(3 * one.p_adjusted)
    assert three[0].verdict is Verdict.NOT_SETTLED
    assert three[0].focus_count == 3


def test_a_measure_with_too_few_swings_does_not_count_in_the_adjustment():
    few = change([1.0], [2.0])
    got = adjust_focus([few, change(SLEEP_1, SLEEP_2)])
    assert got[0].verdict is Verdict.TOO_FEW
    assert got[1].focus_count == 1


def test_adjusting_twice_changes_nothing():
    once = adjust_focus([change(SLEEP_1, SLEEP_2, worth=1), change(TOST_1A, TOST_1B, worth=1)])
    assert adjust_focus(once) == once


def test_verdict_df_lies_between_the_smaller_stages_and_welchs():
    got = change(SLEEP_1[:3], SLEEP_2)
    assert 2.0 <= got.df_guarded <= got.df
    assert guarded_df(8.0, 4.0) == pytest.approx(4.0 * 2.0**0.4)
    assert guarded_df(40.0, 4.0) == guarded_df(8.0, 4.0)


@pytest.mark.parametrize(
    ("worth", "direction"), [(-1.0, ""), (math.nan, ""), (math.inf, ""), (1.0, "up")]
)
def test_bad_settings_are_refused(worth, direction):
    with pytest.raises(ValueError, match=r"smallest change|direction"):
        change(SLEEP_1, SLEEP_2, worth=worth, direction=direction)


VALUES = st.lists(
    st.tuples(st.floats(-50, 50), st.floats(0.1, 5)), min_size=3, max_size=8
)  # value, standard error


def measured(pairs, scale=1.0, shift=0.0):
    return [Measured(value=scale * v + shift, se=abs(scale) * e, systematic=0) for v, e in pairs]


@settings(deadline=None, max_examples=60)
@given(VALUES, VALUES, st.floats(-100, 100))
def test_a_shift_of_both_stages_changes_nothing(a, b, shift):
    first = compare(measured(a), measured(b), smallest_worth=3, direction="", camera_moved=False)
    second = compare(
        measured(a, 1, shift), measured(b, 1, shift),
        smallest_worth=3, direction="", camera_moved=False,
    )  # fmt: skip
    assert second.difference == pytest.approx(first.difference, abs=1e-6)
    assert second.standard_error == pytest.approx(first.standard_error, rel=1e-6)


@settings(deadline=None, max_examples=60)
@given(VALUES, VALUES)
def test_swapping_the_stages_flips_the_sign_only(a, b):
    there = compare(measured(a), measured(b), smallest_worth=3, direction="", camera_moved=False)
    back = compare(measured(b), measured(a), smallest_worth=3, direction="", camera_moved=False)
    assert back.difference == pytest.approx(-there.difference)
    assert (back.low, back.high) == pytest.approx((-there.high, -there.low))
    assert back.verdict is there.verdict


@settings(deadline=None, max_examples=60)
@given(VALUES, VALUES, st.floats(0.01, 100))
def test_another_unit_gives_the_same_verdict(a, b, scale):
    first = compare(measured(a), measured(b), smallest_worth=3, direction="", camera_moved=False)
    second = compare(
        measured(a, scale), measured(b, scale),
        smallest_worth=3 * scale, direction="", camera_moved=False,
    )  # fmt: skip
    assert second.difference == pytest.approx(scale * first.difference, abs=1e-6 * scale)
    assert second.p == pytest.approx(first.p, abs=1e-6)
    assert second.p_not_changed == pytest.approx(first.p_not_changed, abs=1e-6)


def test_equal_errors_give_scipys_welch_interval():
    rng = np.random.default_rng(8)
    a, b = rng.normal(0, 3, 4), rng.normal(1, 5, 9)
    got = compare(
        swings(a, se=0.8), swings(b, se=1.1), smallest_worth=0, direction="", camera_moved=False
    )
    reference = stats.ttest_ind(b, a, equal_var=False)
    low, high = reference.confidence_interval()
    assert (got.low, got.high) == pytest.approx((low, high), rel=1e-9)
    assert got.p == pytest.approx(reference.pvalue, rel=1e-9)


def test_a_poorly_measured_swing_weighs_less():
    a = swings([10, 11, 9.5, 10.4])
    good = swings([10.2, 10.8, 9.7, 10.3])
    bad = [*good, Measured(value=40.0, se=20.0, systematic=0.0)]
    got = compare(a, bad, smallest_worth=0, direction="", camera_moved=False, keep_wild=True)
    assert abs(got.difference) < 0.3
    sure = [*good, replace(bad[-1], se=0.5)]
    kept = compare(a, sure, smallest_worth=0, direction="", camera_moved=False, keep_wild=True)
    assert kept.difference > 5


def test_a_wild_swing_is_set_aside_named_and_can_be_put_back():
    a = swings([10, 10.5, 9.5, 10.2, 9.8, 10.1], se=0.3)
    b = swings([14, 14.5, 13.5, 14.2, 13.8, 90.0], se=0.3)
    got = compare(a, b, smallest_worth=2, direction="more", camera_moved=False)
    assert got.wild_b == (5,)
    assert got.wild_a == ()
    assert got.count_b == 5
    assert got.verdict is Verdict.CHANGED
    kept = compare(a, b, smallest_worth=2, direction="more", camera_moved=False, keep_wild=True)
    assert kept.wild_b == ()
    assert kept.verdict is Verdict.NOT_SETTLED
