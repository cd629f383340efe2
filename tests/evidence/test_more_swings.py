"""Power and planning, against statsmodels and published sample sizes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.stats.power import TTestIndPower

from lessonmark.evidence.more_swings import (
    MOST_SWINGS,
    Plan,
    more_swings,
    power_to_call_changed,
    power_to_call_unchanged,
    swings_to_film,
)


def plan(d, **more):
    return Plan(difference=d, scatter_a=1.0, scatter_b=1.0, **more)


def test_cohens_sample_size_for_a_medium_effect():
    # Cohen 1988, ch. 2: d 0.5, two-sided 5 %, power .80 needs 64 a group (n 63.77; power at 64
    # 0.801460, at 30 0.477897: computed with statsmodels; Cohen's table 2.4 has 64, from memory).
    assert power_to_call_changed(plan(0.5), 64, 64) == pytest.approx(0.801460, abs=1e-6)
    assert power_to_call_changed(plan(0.5), 63, 63) < 0.80
    assert power_to_call_changed(plan(0.5), 30, 30) == pytest.approx(0.477897, abs=1e-6)


@pytest.mark.parametrize(("d", "n"), [(0.8, 26), (1.0, 17)])
def test_sample_sizes_of_larger_effects(d, n):
    # d 0.8 and 1.0: 25.5246 and 16.7147 a group, computed with statsmodels' TTestIndPower; Cohen
    # 1988, table 2.4.1, rounds them up to 26 and 17 (from memory).
    assert more_swings(plan(d), 2, 2, margin=0.0) == n - 2


@pytest.mark.parametrize("d", [0.3, 1.0, 2.5])
@pytest.mark.parametrize("n", [3, 5, 10])
@pytest.mark.parametrize("level", [0.05, 0.05 / 3])
def test_power_agrees_with_statsmodels(d, n, level):
    reference = TTestIndPower().power(d, nobs1=n, alpha=level)
    assert power_to_call_changed(plan(d, level=level), n, n) == pytest.approx(reference, abs=1e-7)


@pytest.mark.parametrize(("d", "n", "margin"), [(0.0, 10, 1.5), (0.4, 12, 1.5), (0.0, 6, 2.5)])
def test_power_of_two_one_sided_tests_agrees_with_simulation(d, n, margin):
    rng = np.random.default_rng(1)
    a, b = rng.normal(0, 1, (40000, n)), rng.normal(d, 1, (40000, n))
    error = np.sqrt((a.var(1, ddof=1) + b.var(1, ddof=1)) / n)
    from scipy import stats

    t = stats.t.ppf(0.95, 2 * n - 2)  # equal true scatters: Welch's df is near the pooled one
    inside = np.abs(b.mean(1) - a.mean(1)) + t * error < margin
    got = power_to_call_unchanged(plan(d), n, n, margin=margin)
    assert got == pytest.approx(inside.mean(), abs=0.012)


def test_a_clear_difference_needs_few_and_a_slight_one_cannot_be_told():
    clear = plan(3.0, guarded=True)
    assert power_to_call_changed(clear, 3, 3) < 0.80 <= power_to_call_changed(clear, 4, 4)
    assert more_swings(clear, 3, 3, margin=0.0) == 1
    assert more_swings(plan(0.2, guarded=True), 3, 3, margin=0.0) is None


def test_a_small_difference_is_settled_as_not_changed():
    found = more_swings(plan(0.05), 5, 5, margin=1.0)
    assert found is not None
    assert power_to_call_unchanged(plan(0.05), 5 + found, 5 + found, margin=1.0) >= 0.80
    assert power_to_call_unchanged(plan(0.05), 4 + found, 4 + found, margin=1.0) < 0.80


def test_more_of_one_stage_alone_takes_more_than_of_both():
    both = more_swings(plan(1.4), 8, 4, margin=0.0)
    alone = more_swings(plan(1.4), 8, 4, margin=0.0, both=False)
    assert both is not None
    assert alone is not None
    assert alone > both


def test_a_camera_that_moved_cannot_be_averaged_away():
    assert more_swings(plan(1.5, camera=1.5), 5, 5, margin=0.0) is None


def test_the_search_stops_at_what_anyone_films():
    needed = math.ceil(TTestIndPower().solve_power(0.56, alpha=0.05, power=0.8))  # 52 a stage
    assert more_swings(plan(0.56), 14, 14, margin=0.0) == needed - 14
    first = needed - MOST_SWINGS
    assert more_swings(plan(0.56), first, first, margin=0.0) == MOST_SWINGS
    assert more_swings(plan(0.55), first, first, margin=0.0) is None


@pytest.mark.parametrize("shift", [0.0, 5.0, 15.4, 29.0, 200.0])
def test_power_is_a_chance_even_in_the_far_tails(shift):
    for n in (3, 10, 50):
        assert 0.0 <= power_to_call_changed(plan(shift), n, n) <= 1.0
        assert 0.0 <= power_to_call_unchanged(plan(shift), n, n, margin=1.0) <= 1.0


def test_swings_to_film_before_a_lesson():
    assert swings_to_film(3.0, 9.0) == 4
    assert swings_to_film(3.0, 9.0, focus_count=3) == 5
    assert swings_to_film(3.0, 0.5) is None
    assert swings_to_film(3.0, 9.0, camera=6.0) is None
    assert swings_to_film(0.1, 9.0) == 3
