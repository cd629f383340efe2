"""Measures that go together by construction."""

from __future__ import annotations

from lessonmark.evidence.coupling import coupled_pairs


def test_two_measures_on_the_shoulders_at_one_position_are_coupled():
    assert coupled_pairs(["side_bend@P6", "shoulder_tilt@P6"]) == {
        frozenset(("side_bend@P6", "shoulder_tilt@P6"))
    }


def test_the_same_points_at_another_position_are_not():
    assert coupled_pairs(["side_bend@P6", "shoulder_tilt@P7"]) == frozenset()


def test_measures_on_other_points_are_not():
    assert coupled_pairs(["pelvis_shift@P4", "shoulder_tilt@P4"]) == frozenset()


def test_an_unknown_measure_is_coupled_with_nothing():
    assert coupled_pairs(["side_bend@P6", "made_up@P6"]) == frozenset()
