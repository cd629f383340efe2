"""Learning a player's scatter, and a prior from players."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from lessonmark.evidence.scatter import (
    PRIOR_DF,
    PRIOR_SD,
    Scatter,
    ScatterSource,
    learn_prior,
    learn_scatter,
    population_prior,
)
from lessonmark.measures.measured import Measured


def stage(values, se=1e-6):
    return [Measured(value=float(v), se=se, systematic=0.0) for v in values]


def player(sd, df):
    return Scatter(sd=sd, df=df, source=ScatterSource.PLAYER)


def test_prior_gives_way_as_swings_come_in():
    prior = population_prior("deg")
    rng = np.random.default_rng(0)
    errors = []
    for count in (3, 10, 40, 400):
        got = learn_scatter([stage(rng.normal(0, 8.0, count))], prior=prior)
        assert got.source is ScatterSource.BOTH
        assert got.df == pytest.approx(PRIOR_DF + count - 1)
        errors.append(abs(got.sd - 8.0))
    assert errors[-1] < 0.5 < errors[0]


def test_without_swings_the_prior_speaks_and_says_so():
    prior = population_prior("cm")
    assert learn_scatter([], prior=prior) == prior
    assert learn_scatter([stage([1.0])], prior=prior).source is ScatterSource.POPULATION
    assert learn_scatter([stage([1.0])]) is None
    assert population_prior("furlong") is None


def test_a_change_between_stages_is_no_scatter():
    one = learn_scatter([stage([1, 2, 3]), stage([101, 102, 103])])
    assert one.sd == pytest.approx(1.0)
    assert one.df == 4
    assert one.source is ScatterSource.PLAYER


def test_update_is_the_conjugate_posterior():
    # Gelman et al. 2013, 2.6: Inv-chi2(nu0, s0^2) and n draws give Inv-chi2(nu0 + n - 1, ...);
    # its density, checked against the product of prior and likelihood on a grid.
    prior, seen = player(2.0, 4.0), player(5.0, 6.0)
    got = prior.updated(seen)
    grid = np.linspace(0.5, 120, 4000)  # variance

    def log_inverse_chi2(variance, df, sd):
        return stats.invgamma.logpdf(variance, df / 2, scale=df * sd**2 / 2)

    by_hand = (
        log_inverse_chi2(grid, 4.0, 2.0) + stats.chi2.logpdf(6.0 * 25.0 / grid, 6.0) - np.log(grid)
    )
    posterior = log_inverse_chi2(grid, got.df, got.sd)
    apart = by_hand - posterior
    assert np.ptp(apart) == pytest.approx(0, abs=1e-9)


def test_interval_of_a_standard_deviation_covers():
    # Chi-square interval; n 10, s 1: 0.6878 to 1.8256 (from the 0.975 and 0.025 points 19.023 and
    # 2.700 of chi-square with df 9 in any printed table).
    low, high = player(1.0, 9.0).interval()
    assert low == pytest.approx(math.sqrt(9 / 19.023), abs=1e-4)
    assert high == pytest.approx(math.sqrt(9 / 2.700), abs=1e-3)


def test_a_prior_is_learnt_from_the_coachs_own_players():
    # Smyth 2004, section 6.2: s^2 of each player ~ s0^2 F(df, df0).
    rng = np.random.default_rng(4)
    variance = 9.0 * stats.f.rvs(8, 12, size=3000, random_state=rng)
    got = learn_prior([player(math.sqrt(v), 8.0) for v in variance])
    assert got.sd == pytest.approx(3.0, rel=0.03)
    assert got.df == pytest.approx(12.0, rel=0.15)
    assert got.source is ScatterSource.POPULATION


def test_players_who_hardly_differ_give_a_sure_prior():
    got = learn_prior([player(3.0, 10.0)] * 8)
    assert got.df > 1000
    assert got.sd == pytest.approx(3.0, rel=0.06)  # digamma(5) - log(5): the mean log's own bias


def test_four_players_are_too_few_for_a_prior():
    assert learn_prior([player(3.0, 10.0)] * 4) is None


def test_every_prior_is_a_possible_scatter():
    for unit in PRIOR_SD:
        assert population_prior(unit).df == PRIOR_DF


@pytest.mark.parametrize(("sd", "df"), [(0.0, 4.0), (1.0, 0.0), (math.nan, 4.0)])
def test_an_impossible_scatter_cannot_be_built(sd, df):
    with pytest.raises(ValueError, match="above 0"):
        player(sd, df)
