"""What lasted: Fieller's interval, the day's rule, the course over dates."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from lessonmark.evidence.change import Verdict
from lessonmark.evidence.compare import compare
from lessonmark.evidence.course import (
    DatedSet,
    DrillMark,
    measure_course,
    swings_for_after,
    trend,
)
from lessonmark.evidence.lasting import (
    Lasted,
    fieller,
    lasting_sentence,
    retention,
    share_still_there,
)
from lessonmark.evidence.scatter import Scatter, ScatterSource
from lessonmark.evidence.stage_mean import stage_mean
from lessonmark.measures.measured import Measured
from lessonmark.words import Stage

# Made-up data; the numbers below were computed by the formulas of Fieller 1954 and the delta
# method with numpy, apart from this package.
BEFORE = [10.2, 9.1, 11.0, 10.4, 9.3]
AFTER = [18.1, 17.2, 19.0, 18.5, 17.2]
RETEST = [15.3, 14.2, 16.0, 15.6, 13.9]
WEEK = timedelta(days=7)
MONDAY = datetime(2026, 3, 2, 10, tzinfo=UTC)


def swings(values, se=1e-6, systematic=0.0):
    return tuple(Measured(value=float(v), se=se, systematic=systematic) for v in values)


def lesson(before=BEFORE, after=AFTER, worth=2.0):
    return compare(
        swings(before), swings(after), smallest_worth=worth, direction="more", camera_moved=False
    )


def judged(retest, *, before=BEFORE, after=AFTER, since=WEEK, systematic=0.0):
    return retention(
        lesson(before, after),
        swings(before, systematic=systematic),
        swings(after, systematic=systematic),
        swings(retest, systematic=systematic),
        since=since,
    )


def test_share_of_the_worked_example():
    # Share 0.625, delta-method SE 0.0602323, Fieller 95 % with z 0.508008 to 0.745953.
    stages = [stage_mean(swings(v)) for v in (BEFORE, AFTER, RETEST)]
    got = share_still_there(*stages, normal=True)
    assert got.share == pytest.approx(0.625)
    assert got.standard_error == pytest.approx(0.0602323, abs=1e-7)
    assert (got.low, got.high) == pytest.approx((0.508008, 0.745953), abs=1e-6)
    wider = share_still_there(*stages)
    assert wider.low < got.low
    assert wider.high > got.high
    assert 4 < wider.df < 12


def test_fieller_limits_are_where_the_t_statistic_reaches_its_point():
    low, high = fieller(5.0, 8.0, 0.3, 0.25, 0.125, 1.96)
    for r in (low, high):
        variance = 0.3 - 2 * r * 0.125 + r**2 * 0.25
        assert abs(5.0 - r * 8.0) / np.sqrt(variance) == pytest.approx(1.96)


def test_fieller_needs_a_change_that_is_clear_of_zero():
    assert fieller(5.0, 0.5, 0.3, 0.25, 0.125, 1.96) is None


@pytest.mark.parametrize(
    ("retest", "verdict"),
    [
        ([17.3, 16.2, 18.0, 17.6, 16.9], Lasted.LASTED),
        ([11.3, 10.2, 12.0, 10.6, 9.9], Lasted.FADED),
        ([14.9, 11.2, 17.0, 15.6, 12.9], Lasted.NOT_SETTLED),
        ([17.3, 16.2], Lasted.TOO_FEW),
    ],
)
def test_each_verdict_on_lasting_has_its_case(retest, verdict):
    assert judged(retest).verdict is verdict


def test_swings_of_the_same_day_never_show_that_it_lasted():
    got = judged(AFTER, since=timedelta(hours=23, minutes=59))
    assert got.verdict is Lasted.TOO_SOON
    assert got.share is None
    assert judged(AFTER, since=timedelta(hours=24)).verdict is Lasted.LASTED
    assert "look again in a week" in lasting_sentence(got, "side bend", "deg")


def test_a_change_that_was_not_settled_leaves_no_share():
    got = judged(RETEST, after=[10.3, 9.2, 11.1, 10.5, 9.2])
    assert got.verdict is Lasted.NOTHING_TO_KEEP
    assert got.share is None


def test_another_days_camera_widens_the_share():
    still, moved = judged(RETEST), judged(RETEST, systematic=1.0)
    assert moved.share.high - moved.share.low > still.share.high - still.share.low
    assert moved.against_before.camera_part == pytest.approx(np.sqrt(2.0))


def test_a_retest_before_the_lesson_is_refused():
    with pytest.raises(ValueError, match="after the lesson"):
        judged(RETEST, since=-WEEK)


def test_lasting_in_words():
    said = lasting_sentence(judged([17.3, 16.2, 18.0, 17.6, 16.9]), "side bend at P6", "deg")
    assert said.startswith("Side bend at P6 has lasted. About 90 % of the change is still there")
    assert said.endswith("It was 10.0° before the lesson and is 17.2° now.")


def test_a_share_below_nothing_is_said_as_nothing():
    said = lasting_sentence(judged([9.4, 8.2, 10.1, 9.5, 8.2]), "side bend", "deg")
    assert "nothing of the change is left" in said
    assert "About" not in said


def test_an_interval_that_holds_everything_gives_no_share():
    unsure = judged(RETEST, systematic=6.0)
    assert unsure.share.high - unsure.share.low > 2
    said = lasting_sentence(unsure, "side bend", "deg")
    assert "nearly anything is possible" in said
    assert "About" not in said


@settings(deadline=None, max_examples=40)
@given(st.floats(-20, 20), st.floats(0.2, 5), st.sampled_from([1, -1]))
def test_share_has_no_unit_and_no_sign(shift, scale, sign):
    def stage(values):
        return stage_mean(
            [Measured(value=shift + sign * scale * v, se=scale * 0.1, systematic=0) for v in values]
        )

    got = share_still_there(stage(BEFORE), stage(AFTER), stage(RETEST))
    assert got.share == pytest.approx(0.625, abs=1e-6)


# The course over dates.


def dated(day, values, stage=Stage.PRACTICE):
    return DatedSet(when=MONDAY + timedelta(days=day), stage=stage, swings=swings(values))


def test_theil_sen_with_an_outlier():
    # Made-up line with one outlier, computed with scipy.stats.theilslopes (Theil 1950, Sen
    # 1968): slope 2.0 (1.95 to 2.10), intercept 0.05 at x = 0, where
    # least squares gives 2.424. One unit of x is one week here.
    y = [2.1, 3.9, 6.2, 7.8, 10.1, 12.0, 14.2, 30.0, 18.1, 19.9]
    got = trend([dated(7 * i, [v]) for i, v in enumerate(y, start=1)])
    assert (got.per_week, got.low, got.high) == pytest.approx((2.0, 1.95, 2.10))
    assert got.at(MONDAY) == pytest.approx(0.05)
    assert got.sets == 10


def test_trend_allows_for_irregular_dates():
    days = [0, 1, 15, 16, 60, 90]
    got = trend([dated(d, [3.0 + 0.5 * d / 7]) for d in days])
    assert got.per_week == pytest.approx(0.5)


def test_trend_needs_five_dates_and_leaves_drills_out():
    sets = [dated(d, [float(d)]) for d in (0, 7, 14, 21)]
    assert trend(sets) is None
    assert trend([*sets, dated(28, [99.0], Stage.DRILL)]) is None
    assert trend([*sets, dated(28, [28.0])]).per_week == pytest.approx(7.0)


def test_drill_and_practice_swings_never_enter_the_after_verdict():
    sets = [
        dated(0, [1.0, 2.0], Stage.BEFORE),
        dated(0, [50.0], Stage.DRILL),
        dated(0, [3.0, 4.0], Stage.AFTER),
        dated(3, [60.0], Stage.PRACTICE),
    ]
    assert [s.value for s in swings_for_after(sets)] == [3.0, 4.0]


def test_the_picture_holds_band_dots_window_and_marks():
    sets = [
        dated(7, RETEST, Stage.RETEST),
        dated(0, BEFORE, Stage.BEFORE),
        dated(0.02, [30.0, 31.0], Stage.DRILL),
        dated(0.05, AFTER, Stage.AFTER),
        dated(3, [16.0]),
    ]
    got = measure_course(
        sets,
        name="side bend at P6",
        unit="deg",
        target=(16.0, 22.0),
        drills=[DrillMark(when=MONDAY, name="towel under the arm")],
    )
    assert [s.stage for s in got.sets] == [
        Stage.BEFORE, Stage.DRILL, Stage.AFTER, Stage.PRACTICE, Stage.RETEST
    ]  # fmt: skip
    assert got.sets[0].dots == tuple(BEFORE)
    interval = stats.t.interval(0.95, 4, np.mean(BEFORE), stats.sem(BEFORE))
    assert (got.sets[0].low, got.sets[0].high) == pytest.approx(interval)
    assert (got.sets[3].low, got.sets[3].high) == (None, None)
    assert [s.counts for s in got.sets] == [True, False, True, True, True]
    pooled = np.sqrt(np.mean([np.var(v, ddof=1) for v in (BEFORE, AFTER, RETEST)]))
    assert got.band.middle == pytest.approx(10.0)
    assert got.band.high - got.band.middle == pytest.approx(1.96 * pooled, rel=1e-4)
    assert got.look_again == MONDAY + timedelta(days=7.05)
    assert got.trend is None


def test_a_known_scatter_widens_a_lucky_band():
    steady = [dated(0, [10.0, 10.01, 9.99], Stage.BEFORE)]
    prior = Scatter(sd=3.0, df=4.0, source=ScatterSource.POPULATION)
    alone = measure_course(steady, name="x", unit="deg").band
    known = measure_course(steady, name="x", unit="deg", prior=prior).band
    assert known.high - known.low > 100 * (alone.high - alone.low)


def test_no_lesson_no_band_and_nothing_to_look_at_again():
    got = measure_course([dated(0, [1.0, 2.0])], name="x", unit="deg")
    assert got.band is None
    assert got.look_again is None


def test_impossible_sets_are_refused():
    with pytest.raises(ValueError, match="at least one swing"):
        dated(0, [])
    with pytest.raises(ValueError, match="target window"):
        measure_course([], name="x", unit="deg", target=(3.0, 3.0))


def test_the_lessons_verdict_is_as_the_fixture_means():
    assert lesson().verdict is Verdict.CHANGED
