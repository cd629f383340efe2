"""A short run of the bench's simulation, so that a change that breaks the promise is seen at once.

The full tables are `make bench-evidence`; here each case has 400 lessons of three focus measures.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from lessonmark.evidence.change import Verdict
from lessonmark.evidence.compare import adjust_focus, compare
from lessonmark.measures.measured import Measured

LESSONS = 400
MOST = 0.05 + 3 * math.sqrt(0.05 * 0.95 / LESSONS)  # 5 % and three standard errors


def lesson(rng, counts, ratio, shift, worth, error):
    changes = []
    for _ in range(3):
        stages = []
        for count, scatter, mean in ((counts[0], 1.0, 0.0), (counts[1], ratio, shift)):
            errors = rng.uniform(0.05, error, count)
            values = mean + rng.normal(0, scatter, count) + rng.normal(0, errors)
            stages.append(
                [
                    Measured(value=float(v), se=float(e), systematic=0.0)
                    for v, e in zip(values, errors, strict=True)
                ]
            )
        changes.append(compare(*stages, smallest_worth=worth, direction="", camera_moved=False))
    return [change.verdict for change in adjust_focus(changes)]


CASES = pytest.mark.parametrize(
    ("counts", "ratio", "error"),
    [((3, 3), 1, 0.1), ((5, 5), 3, 0.1), ((10, 3), 3, 0.1), ((10, 10), 1, 1.0)],
    ids=["three swings", "after scatters 3 times", "few that scatter", "own errors"],
)


@CASES
def test_lessons_without_a_change_are_called_changed_at_most_5_in_100(counts, ratio, error):
    rng = np.random.default_rng(1)
    false = sum(
        Verdict.CHANGED in lesson(rng, counts, ratio, 0.0, 0.0, error) for _ in range(LESSONS)
    )
    assert false / LESSONS <= MOST


@CASES
def test_changes_worth_having_are_called_unchanged_at_most_5_in_100(counts, ratio, error):
    rng = np.random.default_rng(2)
    false = sum(
        Verdict.NOT_CHANGED in lesson(rng, counts, ratio, 1.5, 1.5, error) for _ in range(LESSONS)
    )
    assert false / LESSONS <= MOST


def test_a_clear_change_is_found_and_its_absence_too():
    rng = np.random.default_rng(3)
    found = [lesson(rng, (5, 5), 1, 4.0, 4.0, 0.1) for _ in range(100)]
    assert np.mean([v is Verdict.CHANGED for row in found for v in row]) > 0.95
    still = [lesson(rng, (5, 5), 1, 0.0, 4.0, 0.1) for _ in range(100)]
    assert np.mean([v is Verdict.NOT_CHANGED for row in still for v in row]) > 0.95
