"""Ranks of many samples a pixel, against numpy's sort and scipy's median absolute deviation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from lessonmark.tracks.pixel_spread import median_and_gaps


def samples(count, *, levels=256, seed=0):
    """Seeded pictures of a few bands and a rest of rows."""
    random = np.random.default_rng(seed)
    return random.integers(0, levels, (count, 70, 9)).astype(np.uint8)


@pytest.mark.parametrize("count", range(3, 41))
def test_median_and_distances_are_those_of_a_full_sort(count):
    stack = samples(count, seed=count)
    ranks = (0, count // 2, int(0.9 * (count - 1)), count - 1)
    median, gaps = median_and_gaps(stack, ranks)
    wide = np.sort(stack.astype(int), axis=0)
    assert np.array_equal(median, wide[count // 2])
    apart = np.sort(np.abs(wide - wide[count // 2]), axis=0)
    for rank, gap in zip(ranks, gaps, strict=True):
        assert np.array_equal(gap, apart[rank])


def test_many_equal_levels_are_ranked_as_well():
    stack = samples(25, levels=3)
    _, (gap,) = median_and_gaps(stack, (22,))
    middle = np.median(stack, axis=0)
    assert np.array_equal(gap, np.sort(np.abs(stack - middle), axis=0)[22])


def test_the_middle_distance_is_the_median_absolute_deviation():
    stack = samples(25)
    _, (gap,) = median_and_gaps(stack, (12,))
    assert np.array_equal(gap, median_abs_deviation(stack.astype(float), axis=0))


def test_the_pictures_stay_as_they_were():
    stack = samples(7)
    before = stack.copy()
    median_and_gaps(stack, (3,))
    assert np.array_equal(stack, before)
