"""Which drill works: variances and predictions against published figures and the library."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from lessonmark.evidence.drill_effect import (
    Components,
    DrillResult,
    crossed_components,
    drill_effects,
    predict_cells,
)

SHROUT_FLEISS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float
)


def crossed(table):
    cells, players = np.meshgrid(*(np.arange(n) for n in table.shape), indexing="ij")
    return table.ravel(), cells.ravel(), players.ravel()


def results(seed=0, players=14, rates=(0.9, 0.5, 0.2, 0.7), sizes=(2.0, 1.0, 0.2, 1.4)):
    rng = np.random.default_rng(seed)
    return [
        DrillResult(
            player=f"p{p}",
            drill=f"drill {d}",
            measure="side_bend@P6",
            moved=bool(rng.random() < rate),
            lasted=bool(rng.random() < 0.6),
            size=float(rng.normal(size, 0.8)),
        )
        for p in range(players)
        for d, (rate, size) in enumerate(zip(rates, sizes, strict=True))
    ]


def test_variance_components_of_shrout_and_fleiss():
    # Shrout & Fleiss 1979, table 3: mean squares of targets 11.24, judges 32.49, error 1.02; the
    # components are (BMS - EMS) / 4, (JMS - EMS) / 6 and EMS.
    got = crossed_components(*crossed(SHROUT_FLEISS))
    assert got.cell == pytest.approx(2.555556, abs=2e-4)
    assert got.player == pytest.approx(5.244444, abs=5e-4)
    assert got.residual == pytest.approx(1.019444, abs=1e-5)
    assert got.mean == pytest.approx(SHROUT_FLEISS.mean())


def test_one_way_components_of_the_dyestuff_experiment():
    # Davies & Goldsmith 1972 (R lme4's Dyestuff; lme4 documentation: batch 1764, residual 2451,
    # mean 1527.5, REML), data from memory, held to those figures: six batches of five.
    table = np.array(
        [
            [1545, 1440, 1440, 1520, 1580],
            [1540, 1555, 1490, 1560, 1495],
            [1595, 1550, 1605, 1510, 1560],
            [1445, 1440, 1595, 1465, 1545],
            [1595, 1630, 1515, 1635, 1625],
            [1520, 1455, 1450, 1480, 1445],
        ],
        float,
    )
    rows = len(table) * 5
    between = 5 * table.mean(1).var(ddof=1)
    within = float(table.var(1, ddof=1).mean())
    assert (between - within) / 5 == pytest.approx(1764.05, abs=0.01)
    assert within == pytest.approx(2451.25)
    parts = Components(mean=1527.5, cell=1764.05, player=0.0, residual=2451.25)
    cells = np.repeat(np.arange(6), 5)
    means, errors = predict_cells(table.ravel(), cells, np.arange(rows) % 5, parts)
    # lme4's documentation: conditional modes -17.61, 0.39, 28.56, -23.08, 56.73, -44.99.
    modes = [-17.6069, 0.3913, 28.5622, -23.0845, 56.7332, -44.9952]
    assert means - 1527.5 == pytest.approx(modes, abs=0.01)
    assert (errors > 0).all()


def test_predictions_agree_with_the_library():
    import warnings

    import pandas as pd
    from statsmodels.regression.mixed_linear_model import MixedLM

    values, cells, players = crossed(SHROUT_FLEISS)
    got, _ = predict_cells(values, cells, players, crossed_components(values, cells, players))
    frame = pd.DataFrame({"v": values, "c": cells, "p": players, "all": 1})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = MixedLM.from_formula(
            "v ~ 1", groups="all", vc_formula={"c": "0 + C(c)", "p": "0 + C(p)"}, data=frame
        ).fit()
        effects = fitted.random_effects[1]
    expected = [fitted.fe_params.iloc[0] + effects[f"c[C(c)[{i}]]"] for i in range(6)]
    assert got == pytest.approx(expected, abs=1e-6)


def test_estimates_are_drawn_towards_each_other_but_keep_their_order():
    found = {e.drill: e for e in drill_effects(results())}
    raw = [found[f"drill {d}"].size.raw for d in range(4)]
    pooled = [found[f"drill {d}"].size.size for d in range(4)]
    assert np.argsort(raw).tolist() == np.argsort(pooled).tolist()
    assert np.ptp(pooled) < np.ptp(raw)
    often = [found[f"drill {d}"].moved for d in range(4)]
    assert often[0].share > often[1].share > often[2].share
    assert all(0 < o.low < o.share < o.high < 1 for o in often)
    assert all(o.pooled for o in often)


def test_six_lucky_players_are_not_a_drill_that_always_works():
    lucky = [
        DrillResult(player=f"q{i}", drill="lucky", measure="tempo", moved=True) for i in range(6)
    ]
    found = {e.drill: e for e in drill_effects([*results(), *lucky])}
    assert found["lucky"].moved.raw == 1.0
    assert found["lucky"].moved.share < 0.97
    assert found["lucky"].moved.low < 0.8


def test_fewer_than_five_players_are_refused_with_a_reason():
    few = [
        DrillResult(player=f"p{i}", drill="new", measure="tempo", moved=True, size=1.0)
        for i in range(4)
    ]
    got = next(e for e in drill_effects([*results(), *few]) if e.drill == "new")
    assert (got.moved, got.lasted, got.size) == (None, None, None)
    assert got.reason == "4 of at least 5 players so far: too few to say"


def test_many_lessons_of_one_player_are_one_player():
    same = [
        DrillResult(player="p0", drill="own", measure="tempo", moved=True, size=1.0)
        for _ in range(9)
    ]
    got = next(e for e in drill_effects([*results(), *same]) if e.drill == "own")
    assert got.players == 1
    assert got.moved is None


def test_unsettled_lessons_are_counted_apart():
    unsettled = DrillResult(player="p0", drill="drill 0", measure="side_bend@P6", moved=None)
    got = next(e for e in drill_effects([*results(), unsettled]) if e.drill == "drill 0")
    assert got.unsettled == 1
    assert got.players == 14


def test_one_drill_alone_gets_jeffreys_interval():
    only = [r for r in results() if r.drill == "drill 0"]
    got = drill_effects(only)[0]
    moved = sum(r.moved for r in only)
    assert not got.moved.pooled
    assert (got.moved.low, got.moved.high) == pytest.approx(
        proportion_confint(moved, len(only), method="jeffreys")
    )
    assert got.size is None


def test_the_same_results_give_the_same_answer():
    assert drill_effects(results()) == drill_effects(results())


def test_layouts_that_cannot_be_split_are_refused():
    with pytest.raises(ValueError, match="two cells"):
        crossed_components(np.ones(3), np.zeros(3, int), np.arange(3))
    with pytest.raises(ValueError, match="more results"):
        crossed_components(np.ones(2), np.arange(2), np.arange(2))


def test_no_results_no_effects():
    assert drill_effects([]) == ()
