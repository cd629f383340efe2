"""Checkpoints met and missed, the log of attempts, and what a retest is held against."""

from datetime import UTC, datetime

import numpy as np
import pytest
from scipy import stats

from lessonmark.drills.attempts import Attempt, add_attempt, read_attempts, streak
from lessonmark.drills.checkpoint import Met, judge_checkpoint
from lessonmark.drills.library import Checkpoint
from lessonmark.drills.retest import (
    RetestFocus,
    beside_forecast,
    forecast,
    retest_lines,
    retest_swings,
)
from lessonmark.errors import CannotMeasure, RecordError
from lessonmark.measures.measured import Measured
from lessonmark.words import View


def make_values(*values, se=0.2, systematic=0.0):
    return [Measured(value=v, se=se, systematic=systematic) for v in values]


def make_checkpoint(comparison="at least", value=16.0, met=4, of=5):
    return Checkpoint(
        measure="side_bend@P6", view="face-on", comparison=comparison, value=value, met=met, of=of
    )


@pytest.mark.parametrize(
    ("values", "outcome"),
    [
        ((17, 18, 15, 19, 20), Met.MET),
        ((17, 14, 15, 19, 20), Met.NOT_YET),
        ((17, 18, 19), Met.TOO_FEW),
        ((17, 14, 15), Met.NOT_YET),  # two more could not reach four
        ((10, 10, 17, 18, 15, 19, 20), Met.MET),  # the last five count
    ],
)
def test_an_absolute_bar_is_met_in_so_many_of_the_last(values, outcome):
    assert judge_checkpoint(make_checkpoint(), make_values(*values)).outcome is outcome


@pytest.mark.parametrize(
    ("comparison", "values", "outcome"),
    [
        ("less than before", (4, 4, 5, 5, 4), Met.MET),
        ("less than before", (9, 9, 9, 9, 9), Met.NOT_YET),
        ("more than before", (16, 16, 16, 16, 15), Met.MET),
        ("more than before", (14, 14, 14, 14, 16), Met.NOT_YET),
    ],
)
def test_a_bar_against_before_hangs_on_the_players_own_swings(comparison, values, outcome):
    checkpoint = make_checkpoint(comparison, 5.0)
    result = judge_checkpoint(checkpoint, make_values(*values), make_values(9.8, 10.0, 10.2))
    assert result.outcome is outcome
    assert result.bar == pytest.approx(15.0 if comparison.startswith("more") else 5.0)


def test_swings_at_the_bar_are_said_to_be_too_close():
    values = make_values(16.1, 15.8, 25.0, 25.0, 25.0, se=1.0)
    assert judge_checkpoint(make_checkpoint(), values).too_close == 2


def test_another_days_camera_makes_more_swings_too_close():
    before = make_values(9.8, 10.0, 10.2)
    shaky = make_values(9.8, 10.0, 10.2, systematic=3.0)
    checkpoint, now = make_checkpoint("more than before", 5.0), make_values(*[17.0] * 5)
    assert judge_checkpoint(checkpoint, now, before).too_close == 0
    assert judge_checkpoint(checkpoint, now, shaky).too_close == 5


def test_without_swings_before_a_bar_against_them_is_refused():
    with pytest.raises(CannotMeasure, match="too few"):
        judge_checkpoint(make_checkpoint("less than before", 5.0), make_values(1), make_values(2))


def attempt(is_met, drill="slow-motion", day=1):
    at = datetime(2026, 11, day, 18, tzinfo=UTC)
    return Attempt(
        at=at, drill=drill, checkpoint="x", met=4 if is_met else 1, swings=5, is_met=is_met
    )


def test_streaks_count_met_checkpoints_whatever_the_days_between(tmp_path):
    log = tmp_path / "log.jsonl"
    for day, met in ((1, False), (2, True), (20, True)):
        add_attempt(log, attempt(met, day=day))
    add_attempt(log, attempt(False, drill="feet-together", day=21))
    attempts = read_attempts(log)
    assert len(attempts) == 4
    assert streak(attempts, "slow-motion") == 2
    assert streak(attempts, "feet-together") == 0
    assert attempts[1] == attempt(True, day=2)


def test_a_broken_log_is_told_and_left_as_it_is(tmp_path):
    log = tmp_path / "log.jsonl"
    add_attempt(log, attempt(True))
    with log.open("a") as file:
        file.write("{half a li\n")
    before = log.read_bytes()
    with pytest.raises(RecordError, match="line 2"):
        read_attempts(log)
    assert log.read_bytes() == before


def make_focus(before, after, view=View.FACE_ON, **known):
    return RetestFocus(
        name="side bend at P6",
        unit="deg",
        view=view,
        before=tuple(make_values(*before, **known)),
        after=tuple(make_values(*after, **known)),
    )


def test_more_scatter_takes_more_swings_to_tell():
    calm = make_focus((9, 10, 11, 10), (19, 20, 21, 20))
    wild = make_focus((4, 10, 16, 10), (14, 20, 26, 20))
    few, many = (retest_swings(one, focus_count=1) for one in (calm, wild))
    assert few < many
    # Two-sample t test of half the change, 80 % power at 5 %: statsmodels' answer for d = 5/4.9.
    from statsmodels.stats.power import TTestIndPower

    sd = np.std([4, 10, 16, 10], ddof=1)
    usual = TTestIndPower().solve_power(effect_size=5 / sd, alpha=0.05, power=0.8)
    assert usual <= many <= usual + 8  # the guarded df asks for more, never fewer


def test_the_forecast_is_a_prediction_interval_of_a_mean():
    """Against scipy: t(n-1) * s * sqrt(1/n + 1/m), for swings measured without error."""
    after = [18.1, 17.2, 19.0, 18.5, 17.2]
    ahead = forecast(make_values(*after, se=1e-6), 4)
    half = stats.t.ppf(0.975, 4) * np.std(after, ddof=1) * np.sqrt(1 / 5 + 1 / 4)
    assert ahead.value == pytest.approx(18.0)
    assert ahead.high - ahead.value == pytest.approx(half, rel=1e-3)


def test_a_retest_stands_beside_its_forecast():
    focus = make_focus((9, 10, 11), (19, 20, 21))
    assert "inside the forecast" in beside_forecast(focus, make_values(19, 20, 20))
    assert "outside the forecast" in beside_forecast(focus, make_values(9, 10, 9))


def test_what_to_film_first_names_the_view_and_the_measure():
    lines = retest_lines([make_focus((9, 10, 11), (19, 20, 21), view=View.DOWN_THE_LINE)])
    assert "down-the-line" in lines[0]
    assert "side bend at P6" in lines[0]
    assert "five plain swings" in retest_lines([])[0]
    hopeless = make_focus((0, 10, 20), (1, 11, 21))
    assert "too small" in retest_lines([hopeless])[0]


@pytest.mark.parametrize(
    ("before", "after", "systematic", "words", "never"),
    [
        # Small scatter, a camera as unsure as the change: more swings never help.
        ((9.8, 10, 10.2), (12.8, 13, 13.2), 3.0, "set-up of the camera", "own scatter to be told"),
        # The same change under a wide scatter and a sure camera.
        ((0, 10, 20), (3, 13, 23), 0.0, "swings' own scatter", "set-up of the camera"),
    ],
    ids=["camera", "scatter"],
)
def test_what_hides_half_of_a_change_is_named_for_what_it_is(
    before, after, systematic, words, never
):
    said = " ".join(retest_lines([make_focus(before, after, systematic=systematic)]))
    assert words in said
    assert never not in said
