"""Which drill works, over a coach's players: partly pooled, with intervals, or refused.

A drill tried on six players and lucky with all six is not a drill that always works. Each drill and
measure borrows from the others as far as they are alike, and a player who takes to everything is
told from a drill that works on everyone: drill and player are crossed random effects.

The models are the library's: `MixedLM` for how far a drill moves its measure, and
`BinomialBayesMixedGLM` for how often it moves it and how often that lasts. The interval is
Student's with the players' number less one, wider than the library's normal one, which is a little
too narrow for few players (`bench/evidence.py`).

References
----------
Henderson 1975, Biometrics 31:423-447 (best linear unbiased prediction and its error).
Gelman & Hill 2007, Data Analysis Using Regression and Multilevel Models, ch. 12 (partial pooling).
Brown, Cai & DasGupta 2001, Stat Sci 16:101-133 (Jeffreys's interval, where nothing can be pooled).
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special
from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.stats.proportion import proportion_confint

from lessonmark.language import say

__all__ = [
    "Components",
    "DrillEffect",
    "DrillResult",
    "HowFar",
    "HowOften",
    "crossed_components",
    "drill_effects",
    "predict_cells",
]

FEWEST_PLAYERS = 5  # for any word on a drill; common practice, no source
FEWEST_CELLS = 3  # drills and measures, to learn how alike they are; common practice, no source
_PRIOR_LOGIT = 2.0  # SD of the average's prior: 95 % of it between 2 % and 98 %
_PRIOR_LOG_SD = 1.0  # SD of the prior of each scatter's logarithm, the library's default

_Numbers = npt.NDArray[np.float64]
_Places = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True)
class DrillResult:
    """What one drill did to one measure of one player in one lesson."""

    player: str  # any id: nothing is done with it but telling players apart
    drill: str
    measure: str  # what the drill is meant to move
    moved: bool | None  # as wanted; None: the lesson did not settle it
    lasted: bool | None = None  # None: no retest, or not settled
    size: float | None = None  # in smallest changes worth having, + as wanted


@dataclass(frozen=True, kw_only=True)
class HowOften:
    """A share of players, with its 95 % interval."""

    share: float
    low: float
    high: float
    players: int
    raw: float  # the plain share, before pooling
    pooled: bool  # False: too few drills to borrow from


@dataclass(frozen=True, kw_only=True)
class HowFar:
    """A mean change in smallest changes worth having, + as wanted, with its 95 % interval."""

    size: float
    low: float
    high: float
    players: int
    raw: float


@dataclass(frozen=True, kw_only=True)
class DrillEffect:
    """One drill on one measure, over the players."""

    drill: str
    measure: str
    players: int  # with a settled result
    unsettled: int  # results that the lesson did not settle
    moved: HowOften | None = None  # None: see `reason`
    lasted: HowOften | None = None
    size: HowFar | None = None
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class Components:
    """Variances of a crossed layout."""

    mean: float
    cell: float
    player: float
    residual: float


def drill_effects(results: Sequence[DrillResult]) -> tuple[DrillEffect, ...]:
    """Estimate how each drill does on each measure it is meant to move.

    Parameters
    ----------
    results : one a lesson; several of one player are allowed.

    Returns
    -------
    tuple of DrillEffect : by drill and measure; those with fewer than `FEWEST_PLAYERS` players
        carry a reason and no number.
    """
    cells = sorted({(r.drill, r.measure) for r in results})
    moved = _how_often([(r, r.moved) for r in results if r.moved is not None])
    lasted = _how_often([(r, r.lasted) for r in results if r.moved and r.lasted is not None])
    sizes = _how_far([r for r in results if r.size is not None])
    effects = []
    for drill, measure in cells:
        mine = [r for r in results if (r.drill, r.measure) == (drill, measure)]
        players = len({r.player for r in mine if r.moved is not None})
        few = players < FEWEST_PLAYERS
        effects.append(
            DrillEffect(
                drill=drill,
                measure=measure,
                players=players,
                unsettled=sum(r.moved is None for r in mine),
                moved=None if few else moved.get((drill, measure)),
                lasted=None if few else lasted.get((drill, measure)),
                size=None if few else sizes.get((drill, measure)),
                reason=say(
                    "{players} of at least {least} players so far: too few to say",
                    players=players,
                    least=FEWEST_PLAYERS,
                )
                if few
                else "",
            )
        )
    return tuple(effects)


def crossed_components(values: _Numbers, cells: _Places, players: _Places) -> Components:
    """Split the variance into cell, player and residual by REML, both crossed.

    Parameters
    ----------
    values, cells, players : (n,), cells and players numbered from 0.

    Raises
    ------
    ValueError : fewer than two cells or players, or no more results than there are cells.
    """
    if min(len(set(cells.tolist())), len(set(players.tolist()))) < 2:
        raise ValueError("a crossed layout has two cells and two players or more")
    if values.size <= len(set(cells.tolist())):
        raise ValueError("a crossed layout has more results than cells")
    frame = pd.DataFrame({"value": values, "cell": cells, "player": players, "all": 1})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a variance at its bound of 0 is an answer, not a fault
        model = MixedLM.from_formula(
            "value ~ 1",
            groups="all",
            vc_formula={"cell": "0 + C(cell)", "player": "0 + C(player)"},
            data=frame,
        )
        fitted = model.fit(reml=True)
    names = model.exog_vc.names
    found = dict(zip(names, map(float, fitted.vcomp), strict=True))
    return Components(
        mean=float(fitted.fe_params.iloc[0]),
        cell=max(0.0, found["cell"]),
        player=max(0.0, found["player"]),
        residual=float(fitted.scale),
    )


def predict_cells(
    values: _Numbers, cells: _Places, players: _Places, parts: Components
) -> tuple[_Numbers, _Numbers]:
    """Predict each cell's mean and its standard error, given the variances.

    References
    ----------
    Henderson 1975: the mixed model equations; the inverse of their left side times the residual
    variance is the prediction error's covariance.
    """
    count_c, count_p = int(cells.max()) + 1, int(players.max()) + 1
    design = np.zeros((values.size, 1 + count_c + count_p))
    design[:, 0] = 1.0
    design[np.arange(values.size), 1 + cells] = 1.0
    design[np.arange(values.size), 1 + count_c + players] = 1.0
    ridge = np.zeros(design.shape[1])
    tiny = 1e-9 * parts.residual
    ridge[1 : 1 + count_c] = parts.residual / max(parts.cell, tiny)
    ridge[1 + count_c :] = parts.residual / max(parts.player, tiny)
    inverse = np.linalg.inv(design.T @ design + np.diag(ridge))
    effects = inverse @ design.T @ values
    pick = np.zeros((count_c, design.shape[1]))
    pick[:, 0] = 1.0
    pick[np.arange(count_c), 1 + np.arange(count_c)] = 1.0
    errors = np.sqrt(np.einsum("ij,jk,ik->i", pick, inverse, pick) * parts.residual)
    return pick @ effects, errors


def _how_far(results: Sequence[DrillResult]) -> dict[tuple[str, str], HowFar]:
    keys, cells, players = _numbered(results)
    if len(keys) < FEWEST_CELLS or len(set(players.tolist())) < FEWEST_PLAYERS:
        return {}
    values = np.array([r.size for r in results], dtype=float)
    if values.size <= len(keys):
        return {}
    parts = crossed_components(values, cells, players)
    means, errors = predict_cells(values, cells, players, parts)
    found = {}
    for i, key in enumerate(keys):
        count = len(set(players[cells == i].tolist()))
        if count < FEWEST_PLAYERS:
            continue
        half = _point(count) * float(errors[i])
        size = float(means[i])
        found[key] = HowFar(
            size=size,
            low=size - half,
            high=size + half,
            players=count,
            raw=float(values[cells == i].mean()),
        )
    return found


def _how_often(
    results: Sequence[tuple[DrillResult, bool]],
) -> dict[tuple[str, str], HowOften]:
    keys, cells, players = _numbered([result for result, _ in results])
    outcomes = np.array([outcome for _, outcome in results], dtype=float)
    counts = [len(set(players[cells == i].tolist())) for i in range(len(keys))]
    pooled = len(keys) >= FEWEST_CELLS and len(set(players.tolist())) >= FEWEST_PLAYERS
    logits, errors = _pool(outcomes, cells, players) if pooled else (outcomes, outcomes)
    found = {}
    for i, key in enumerate(keys):
        if counts[i] < FEWEST_PLAYERS:
            continue
        mine = outcomes[cells == i]
        raw = float(mine.mean())
        if pooled:
            half = _point(counts[i]) * float(errors[i])
            share, low, high = (
                float(special.expit(logits[i] + side)) for side in (0.0, -half, half)
            )
        else:
            share = raw
            low, high = proportion_confint(mine.sum(), mine.size, method="jeffreys")
        found[key] = HowOften(
            share=share, low=float(low), high=float(high), players=counts[i], raw=raw, pooled=pooled
        )
    return found


def _pool(outcomes: _Numbers, cells: _Places, players: _Places) -> tuple[_Numbers, _Numbers]:
    """Each cell's logit and its standard error, for a player who is neither quick nor slow."""
    count_c, count_p = int(cells.max()) + 1, int(players.max()) + 1
    design = np.zeros((outcomes.size, count_c + count_p))
    design[np.arange(outcomes.size), cells] = 1.0
    design[np.arange(outcomes.size), count_c + players] = 1.0
    which = np.repeat([0, 1], [count_c, count_p])
    model = BinomialBayesMixedGLM(
        outcomes,
        np.ones((outcomes.size, 1)),
        design,
        which,
        vcp_p=_PRIOR_LOG_SD,
        fe_p=_PRIOR_LOGIT,
    )
    # Started from fixed values: the same results always give the same answer.
    start = np.zeros(1 + 2 + count_c + count_p)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it reports a small step as not converged
        fitted = model.fit_vb(mean=start, sd=np.full(start.size, 0.5))
    logits = fitted.fe_mean[0] + fitted.vc_mean[:count_c]
    return logits, np.hypot(fitted.fe_sd[0], fitted.vc_sd[:count_c])


def _numbered(
    results: Sequence[DrillResult],
) -> tuple[list[tuple[str, str]], _Places, _Places]:
    keys = sorted({(r.drill, r.measure) for r in results})
    names = sorted({r.player for r in results})
    cells = np.array([keys.index((r.drill, r.measure)) for r in results], dtype=np.intp)
    players = np.array([names.index(r.player) for r in results], dtype=np.intp)
    return keys, cells, players


def _point(players: int) -> float:
    return float(special.stdtrit(max(1, players - 1), 0.975))
