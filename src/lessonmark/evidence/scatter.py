"""A player's own swing-to-swing scatter, learnt from repeats, with a prior to begin from.

The variance of a measure within a stage is learnt as a scaled inverse chi-square: a prior guess
counts as `PRIOR_DF` degrees of freedom and gives way as the player's own swings come in. The prior
of each unit below is common practice, no source; `learn_prior` replaces it by one learnt from the
coach's own players once there are enough of them.

References
----------
Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., 2.6 (normal with unknown variance).
Smyth 2004, Stat Appl Genet Mol Biol 3:3, doi 10.2202/1544-6115.1027, sections 3 and 6.2 (prior
degrees of freedom from many variances).
Weir 2005, J Strength Cond Res 19:231-240 (standard error of measurement as within-player SD).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy import optimize, special

from lessonmark.evidence.stage_mean import StageMean, stage_mean
from lessonmark.measures.measured import Measured

__all__ = [
    "PRIOR_DF",
    "PRIOR_SD",
    "Scatter",
    "ScatterSource",
    "learn_prior",
    "learn_scatter",
    "pooled_scatter",
    "population_prior",
]

PRIOR_DF = 4.0  # the prior weighs as much as five swings; common practice, no source
PRIOR_SD = {  # swing-to-swing SD by unit; common practice, no source
    "deg": 3.0,
    "cm": 1.5,
    "% torso": 3.0,
    "ms": 20.0,
    "deg/s": 150.0,
    "m/s": 0.6,
    "": 0.15,  # a ratio: the tempo
}
FEWEST_PLAYERS = 5  # to learn a prior from; common practice, no source
_SURE_DF = 1e6  # players whose scatter does not differ at all


class ScatterSource(StrEnum):
    """Where a scatter comes from."""

    POPULATION = "population"  # the prior alone
    PLAYER = "player"  # the player's own swings alone
    BOTH = "both"


@dataclass(frozen=True, kw_only=True)
class Scatter:
    """A swing-to-swing standard deviation and how much is known about it."""

    sd: float  # in the measure's unit, measurement error included
    df: float  # degrees of freedom behind it
    source: ScatterSource

    def __post_init__(self) -> None:
        if not (math.isfinite(self.sd) and self.sd > 0 and math.isfinite(self.df) and self.df > 0):
            raise ValueError(f"a scatter has a standard deviation and df above 0, got {self}")

    def updated(self, seen: Scatter) -> Scatter:
        """Take in what was seen elsewhere; each counts by its degrees of freedom."""
        df = self.df + seen.df
        variance = (self.df * self.sd**2 + seen.df * seen.sd**2) / df
        source = self.source if self.source is seen.source else ScatterSource.BOTH
        return Scatter(sd=math.sqrt(variance), df=df, source=source)

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Interval of the standard deviation, by chi-square."""
        tail = (1.0 - level) / 2
        low, high = special.chdtri(self.df, tail), special.chdtri(self.df, 1.0 - tail)
        return self.sd * math.sqrt(self.df / low), self.sd * math.sqrt(self.df / high)


def population_prior(unit: str) -> Scatter | None:
    """Give the prior of a unit; None for a unit that has none."""
    sd = PRIOR_SD.get(unit)
    return None if sd is None else Scatter(sd=sd, df=PRIOR_DF, source=ScatterSource.POPULATION)


def pooled_scatter(stages: Sequence[StageMean]) -> Scatter:
    """Pool the scatter of several stages, each by its degrees of freedom.

    Raises
    ------
    ValueError : no stage.
    """
    if not stages:
        raise ValueError("pooling needs at least one stage")
    df = sum(stage.count - 1.0 for stage in stages)
    variance = sum((stage.count - 1.0) * stage.scatter**2 for stage in stages) / df
    return Scatter(sd=math.sqrt(variance), df=df, source=ScatterSource.PLAYER)


def learn_scatter(
    stages: Sequence[Sequence[Measured]], *, prior: Scatter | None = None
) -> Scatter | None:
    """Learn a player's scatter of one measure from all stages with at least two swings.

    Parameters
    ----------
    stages : the player's swings, one sequence a stage: a change between stages is no scatter.
    prior : what is thought before; None learns from the swings alone.

    Returns
    -------
    Scatter or None : None where there is neither a prior nor a stage of two swings.
    """
    usable = [stage_mean(stage) for stage in stages if len(stage) >= 2]
    if not usable:
        return prior
    seen = pooled_scatter(usable)
    return seen if prior is None else prior.updated(seen)


def learn_prior(players: Sequence[Scatter]) -> Scatter | None:
    """Learn the population prior from a coach's own players.

    Parameters
    ----------
    players : one scatter a player, of the same measure, learnt without a prior.

    Returns
    -------
    Scatter or None : None below `FEWEST_PLAYERS`. Its `df` is large where players hardly differ.

    References
    ----------
    Smyth 2004, section 6.2: moments of log variances.
    """
    if len(players) < FEWEST_PLAYERS:
        return None
    df = np.array([player.df for player in players])
    logs = np.log([player.sd**2 for player in players])
    centred = logs - special.digamma(df / 2) + np.log(df / 2)
    mean = float(centred.mean())
    spread = float(centred.var(ddof=1) - special.polygamma(1, df / 2).mean())
    if spread <= special.polygamma(1, _SURE_DF / 2):
        prior_df = _SURE_DF
    else:
        prior_df = 2.0 * float(
            optimize.brentq(lambda half: special.polygamma(1, half) - spread, 1e-3, _SURE_DF)
        )
    variance = math.exp(mean + special.digamma(prior_df / 2) - math.log(prior_df / 2))
    return Scatter(sd=math.sqrt(variance), df=prior_df, source=ScatterSource.POPULATION)
