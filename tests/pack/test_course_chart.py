"""The lasting picture shows every swing, the band, the window and the drills, and no more."""

import itertools
import re
from datetime import UTC, datetime, timedelta

import pytest

from lessonmark.evidence.course import DatedSet, DrillMark, measure_course
from lessonmark.evidence.scatter import population_prior
from lessonmark.language import speaking
from lessonmark.measures.measured import Measured
from lessonmark.pack.course_chart import course_chart
from lessonmark.words import Stage

START = datetime(2025, 12, 20, 12, tzinfo=UTC)


def dated(days, stage, *values):
    swings = tuple(Measured(value=value, se=1.0, systematic=0.5) for value in values)
    return DatedSet(when=START + timedelta(days=days), stage=stage, swings=swings)


def course(*sets, target=None, drills=()):
    return measure_course(
        sets,
        name="side bend at P6",
        unit="deg",
        target=target,
        drills=drills,
        prior=population_prior("deg"),
    )


LESSON = (
    dated(0, Stage.BEFORE, 8, 10, 9),
    dated(0, Stage.DRILL, 25, 24),
    dated(0, Stage.AFTER, 15, 17, 16),
)


def labels(svg):
    return re.findall(r'aria-label="([^"]+)"[^>]*aria-roledescription="point"', svg)


def test_every_swing_is_a_dot_that_says_what_it_is_and_opens_it():
    shown = course(*LESSON)
    links = [[f"/swings/{n}{k}" for k in range(len(one.dots))] for n, one in enumerate(shown.sets)]
    svg = course_chart(shown, links=links)
    assert re.findall(r'<a href="([^"]+)"', svg) == [link for one in links for link in one]
    assert len([label for label in labels(svg) if "2025" in label]) == 8
    assert any("drill: 25" in label for label in labels(svg))


def test_it_stands_alone_and_reaches_nowhere():
    svg = course_chart(course(*LESSON, target=(12, 20)))
    assert "<a" not in svg
    assert "<script" not in svg
    assert set(re.findall(r"https?://[^\"' )]+", svg)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"target": (12, 20)}, "target window"),
        ({"target": (12, float("inf"))}, "target window"),
        ({"drills": (DrillMark(when=START, name="feet together"),)}, "feet together"),
        ({}, "own scatter"),
        ({}, "look again"),
    ],
)
def test_what_was_set_is_named(more, words):
    assert words in course_chart(course(*LESSON, **more))


def test_what_was_not_set_is_not_drawn():
    assert "target window" not in course_chart(course(*LESSON))
    assert "own scatter" not in course_chart(course(dated(0, Stage.AFTER, 3, 4, 5)))


def test_nothing_measured_draws_nothing():
    assert course_chart(course()) == ""


def test_days_keep_their_distances_but_never_run_into_each_other():
    days = (0, 1, 2, 90)
    svg = course_chart(course(*(dated(d, Stage.BEFORE, 8, 10, 9) for d in days)))
    dots = [float(x) for x in re.findall(r'point" transform="translate\(([\d.]+),', svg)]
    middles = [sum(dots[k : k + 3]) / 3 for k in range(0, 12, 3)]
    gaps = [b - a for a, b in itertools.pairwise(middles)]
    assert min(gaps) >= 58 - 0.1
    assert gaps[2] > 3 * gaps[0]


def test_a_year_stands_under_its_first_date_and_dates_follow_the_language():
    sets = (*LESSON, dated(40, Stage.RETEST, 14, 15, 13))
    svg = course_chart(course(*sets))
    assert svg.count(">2025<") == 1
    assert svg.count(">2026<") == 1
    with speaking("de"):
        assert "20. Dez." in course_chart(course(*sets))
