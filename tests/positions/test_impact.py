"""Sound, ball and clubhead fused into one time of impact."""

import math

import numpy as np
import pytest

from lessonmark.positions.impact import BALL, CLUB, SOUND, ImpactSource, fuse_impact
from lessonmark.positions.times import Time


def source(kind, s, se):
    return ImpactSource(kind=kind, time=Time(s=s, se=se))


def test_agreeing_sources_are_averaged_by_their_errors():
    # Two readings 1.000 +- 0.001 and 1.002 +- 0.002: weights 4 to 1, so 1.0004 +- 0.001 * 2/sqrt5.
    got = fuse_impact([source(SOUND, 1.000, 0.001), source(CLUB, 1.002, 0.002)])
    assert got.time.s == pytest.approx(1.0004)
    assert got.time.se == pytest.approx(0.001 * 2 / math.sqrt(5))
    assert got.how == "sound, clubhead"


def test_an_outlier_is_left_out_and_named():
    got = fuse_impact(
        [source(SOUND, 1.200, 0.001), source(BALL, 1.003, 0.003), source(CLUB, 1.001, 0.002)]
    )
    assert got.time.s == pytest.approx(1.0016, abs=0.0005)
    assert "clubhead, ball" in got.how
    assert "sound" in got.how.split("not used")[1]


def test_of_a_busy_range_the_strike_that_fits_the_club_is_taken():
    strikes = [source(SOUND, s, 0.0005) for s in (0.80, 1.001, 1.15)]
    got = fuse_impact([*strikes, source(CLUB, 1.000, 0.002)])
    assert got.time.s == pytest.approx(1.001, abs=0.0002)
    assert got.how == "sound, clubhead"


def test_the_hit_error_is_not_smaller_than_the_sources_scatter():
    # 3 and 5 ms apart at 1 ms each is two in three times wider than their errors say.
    apart = fuse_impact([source(SOUND, 1.0, 0.001), source(CLUB, 1.004, 0.001)])
    close = fuse_impact([source(SOUND, 1.0, 0.001), source(CLUB, 1.0, 0.001)])
    assert apart.time.se == pytest.approx(0.004 / 2)
    assert close.time.se == pytest.approx(0.001 / math.sqrt(2))


def test_no_source_is_no_impact():
    assert fuse_impact([]) is None


def test_its_error_is_calibrated():
    rng = np.random.default_rng(2)
    hits = []
    for _ in range(400):
        got = fuse_impact(
            [
                source(SOUND, 1 + 0.0007 * rng.standard_normal(), 0.0007),
                source(CLUB, 1 + 0.001 * rng.standard_normal(), 0.001),
                source(BALL, 1 + 0.0024 * rng.standard_normal(), 0.0024),
            ]
        )
        hits.append(abs(got.time.s - 1) <= got.time.se)
    assert np.mean(hits) == pytest.approx(0.68, abs=0.08)
