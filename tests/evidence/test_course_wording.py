"""Words of a measure's course: they say the interval, and claim no more than it allows."""

from datetime import UTC, datetime, timedelta

import pytest

from lessonmark.evidence.course import DatedSet, measure_course
from lessonmark.evidence.course_wording import band_sentence, target_sentence, trend_sentence
from lessonmark.evidence.scatter import population_prior
from lessonmark.measures.measured import Measured
from lessonmark.words import Stage

START = datetime(2026, 1, 5, 9, tzinfo=UTC)


def course(means, *, spread=0.2, swings=4, target=None, stage=Stage.BEFORE):
    sets = [
        DatedSet(
            when=START + timedelta(days=7 * week),
            stage=stage,
            swings=tuple(
                Measured(value=mean + spread * (k - (swings - 1) / 2), se=0.5, systematic=0.0)
                for k in range(swings)
            ),
        )
        for week, mean in enumerate(means)
    ]
    return measure_course(sets, name="x", unit="deg", target=target, prior=population_prior("deg"))


@pytest.mark.parametrize(
    ("means", "words"),
    [
        ((1, 3, 5, 7, 9, 11), "rises by about 2"),
        ((11, 9, 7, 5, 3, 1), "falls by about 2"),
        ((5, 4, 6, 5, 4, 6), "No trend that stands out"),
        ((1, 3, 5, 7), "Too few days"),
    ],
)
def test_the_trend_is_said_with_its_interval(means, words):
    said = trend_sentence(course(means))
    assert words in said
    assert ("interval" in said) == ("Too few" not in said)


def test_a_drills_swings_make_no_trend():
    assert "Too few days" in trend_sentence(course((1, 3, 5, 7, 9, 11), stage=Stage.DRILL))


@pytest.mark.parametrize(
    ("target", "words"),
    [
        ((3.5, 5.5), "Of the latest 4 swings 3 lie in the target window (3.5° to 5.5°)"),
        ((5.0, float("inf")), "2 lie in the target window (at least 5.0°)"),
        ((-float("inf"), 0.0), "0 lie in the target window (at most 0.0°)"),
    ],
)
def test_swings_in_the_window_are_counted(target, words):
    assert words in target_sentence(course((1, 5), spread=0.8, target=target))


def test_without_a_window_nothing_is_said():
    assert target_sentence(course((1, 5))) == ""


def test_the_band_says_whose_scatter_it_is():
    # The prior weighs 4 degrees of freedom (scatter.PRIOR_DF); 1 set of 4 swings brings 3.
    assert "rests mostly on what is usual" in band_sentence(course((1,)))
    assert "mostly the player's own scatter" in band_sentence(course((1, 2, 3)))
