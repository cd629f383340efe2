"""The stage's mean, against statsmodels' random-effects meta-analysis and NIST's numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from lessonmark.evidence.stage_mean import own_scatter, stage_mean
from lessonmark.evidence.wild import find_wild, grubbs_critical, grubbs_statistic
from lessonmark.measures.measured import Measured


def stage(values, errors):
    return [
        Measured(value=float(v), se=float(e), systematic=0.0)
        for v, e in zip(values, errors, strict=True)
    ]


@pytest.mark.parametrize("seed", range(6))
def test_mean_and_scatter_agree_with_statsmodels_paule_mandel(seed):
    rng = np.random.default_rng(seed)
    errors = rng.uniform(0.5, 4.0, 7)
    values = 10 + rng.normal(0, 3, 7) + rng.normal(0, errors)
    # statsmodels comes down to the root from above and answers 0 where rounding carries its last
    # step below it, which hangs on the processor: 1e-6 stops it well before that.
    reference = combine_effects(values, errors**2, method_re="iterated", atol=1e-6)
    got = stage_mean(stage(values, errors))
    assert got.own_scatter**2 == pytest.approx(max(reference.tau2, 0), abs=1e-5)
    assert got.mean == pytest.approx(reference.mean_effect_re, abs=1e-5)
    # Hartung, Knapp, Sidik and Jonkman's standard error, without a floor.
    assert got.standard_error == pytest.approx(reference.sd_eff_w_re_hksj, rel=1e-5)


def test_published_random_effects_example():
    # Kacker 2004, table 1, first row, p. 135, as kept in statsmodels stats/tests/test_meta.py
    # (TestMetaK1.test_tau_kacker): the Paule-Mandel standard deviation is 0.8399.
    values = np.array([61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90])
    variances = [0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225]
    assert own_scatter(values, np.sqrt(variances)) == pytest.approx(0.8399, abs=6e-5)


def test_equal_errors_give_the_plain_mean_and_its_error():
    # NIST StRD NumAcc1: 10000001, 10000003, 10000002: mean 10000002, SD 1, exact.
    got = stage_mean(stage([10000001, 10000003, 10000002], [1e-4] * 3))
    assert got.mean == pytest.approx(10000002, abs=1e-7)
    assert got.scatter == pytest.approx(1.0, abs=1e-7)
    assert got.standard_error == pytest.approx(1 / math.sqrt(3), abs=1e-7)
    assert got.df == pytest.approx(2)


MAVRO = (  # NIST StRD, univariate: digits after 2.00, certified mean and SD below
    "180 170 180 190 180 170 150 140 150 150 170 180 180 190 190 210 200 160 140 130 130 150 150 "
    "160 150 140 130 140 150 140 150 160 150 160 190 200 200 210 220 230 240 250 270 260 260 260 "
    "270 260 250 240"
)
LEVELS = {
    "Mavro": ([2 + int(d) / 1e5 for d in MAVRO.split()], 2.00185600000000, 0.000429123454003053),
    # exact by construction
    "NumAcc4": ([10000000.2, *([10000000.1, 10000000.3] * 500)], 10000000.2, 0.1),
}


@pytest.mark.parametrize("name", LEVELS)
def test_nist_certified_means_and_deviations(name):
    values, mean, sd = LEVELS[name]
    got = stage_mean(stage(values, [1e-9] * len(values)))
    assert got.mean == pytest.approx(mean, rel=1e-14)
    assert got.scatter == pytest.approx(sd, rel=1e-7)


def test_stated_errors_that_the_swings_contradict_are_scaled_down():
    values = [10.0, 10.3, 9.6, 10.1]
    got = stage_mean(stage(values, [2.0] * 4))
    assert got.own_scatter == 0
    # Birge 1932: with equal errors the scaled error of the mean is the plain SD / sqrt(n).
    assert got.standard_error == pytest.approx(stats.sem(values))
    assert got.measurement == pytest.approx(np.std(values, ddof=1))


def test_equal_values_never_claim_a_sure_mean():
    assert stage_mean(stage([10.0] * 5, [2.0] * 5)).standard_error > 0


def test_a_swing_of_no_weight_counts_for_no_degrees_of_freedom():
    got = stage_mean(stage([10.0, 11.0, 9.0, 30.0], [0.5, 0.5, 0.5, 500.0]))
    assert got.df == pytest.approx(2.0, abs=0.02)


def test_a_mean_needs_two_swings():
    with pytest.raises(ValueError, match="at least two"):
        stage_mean(stage([1.0], [1.0]))


# NIST/SEMATECH e-Handbook 1.3.5.17.1: mass spectrometer data of Tietjen & Moore 1972.
URANIUM = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]


def test_grubbs_agrees_with_the_nist_handbook():
    # Handbook: G = 2.468765, one-sided critical value at 5 %: 2.032 (from memory of the page;
    # both recomputed here from its formula). One-sided 5 % is two-sided 10 %.
    assert grubbs_statistic(URANIUM) == pytest.approx(2.468765, abs=1e-6)
    assert grubbs_critical(8, 0.10) == pytest.approx(2.032, abs=5e-4)


def test_grubbs_critical_values_agree_with_the_printed_table():
    # Grubbs 1969 table, one-sided 1 % = two-sided 2 % (n 5: 1.749, n 10: 2.410); from memory.
    assert grubbs_critical(5, 0.02) == pytest.approx(1.749, abs=1e-3)
    assert grubbs_critical(10, 0.02) == pytest.approx(2.410, abs=1e-3)


def test_the_wild_swing_is_found():
    assert find_wild(stage(URANIUM, [0.5] * 8)) == 7


def test_a_badly_seen_swing_is_not_wild():
    assert find_wild(stage(URANIUM, [0.5] * 7 + [30.0])) is None


def test_four_swings_are_too_few_to_call_one_wild():
    assert find_wild(stage([1.0, 1.01, 0.99, 500.0], [0.1] * 4)) is None


def test_equal_swings_have_no_wild_one():
    assert find_wild(stage([2.0] * 6, [0.1] * 6)) is None


def test_an_ordinary_stage_loses_a_swing_twice_in_a_thousand():
    rng = np.random.default_rng(0)
    lost = sum(find_wild(stage(rng.normal(0, 1, 8), [1e-6] * 8)) is not None for _ in range(8000))
    assert 0.0005 < lost / 8000 < 0.0035  # 0.2 %, within three standard errors
