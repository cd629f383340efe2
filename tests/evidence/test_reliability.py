"""Reliability against published tables and pingouin."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pingouin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lessonmark.evidence.reliability import (
    detectable_change,
    limits_of_agreement,
    reliability,
    repeatability,
)

# Shrout & Fleiss 1979, Table 2: 6 targets by 4 judges.
SHROUT_FLEISS = [
    [9, 2, 5, 8],
    [6, 1, 3, 2],
    [8, 4, 6, 8],
    [7, 1, 2, 6],
    [10, 5, 6, 9],
    [6, 2, 4, 7],
]
# Weir 2005, data set A.
WEIR = list(
    zip(
        [146, 148, 170, 90, 157, 156, 176, 205],
        [140, 152, 152, 99, 145, 153, 167, 218],
        strict=True,
    )
)
# Bland & Altman 1986, Table 1, l/min: Wright 1, Wright 2, mini 1, mini 2.
PEFR = np.array(
    [
        [494, 490, 512, 525],
        [395, 397, 430, 415],
        [516, 512, 520, 508],
        [434, 401, 428, 444],
        [476, 470, 500, 500],
        [557, 611, 600, 625],
        [413, 415, 364, 460],
        [442, 431, 380, 390],
        [650, 638, 658, 642],
        [433, 429, 445, 432],
        [417, 420, 432, 420],
        [656, 633, 626, 605],
        [267, 275, 260, 227],
        [478, 492, 477, 467],
        [178, 165, 259, 268],
        [423, 372, 350, 370],
        [427, 421, 451, 443],
    ]
)


def test_mean_squares_are_shrout_and_fleiss_table_3():
    got = reliability(SHROUT_FLEISS)
    assert got.between == pytest.approx(11.241667, abs=1e-6)
    assert got.within == pytest.approx(6.263889, abs=1e-6)
    assert got.occasions == pytest.approx(32.486111, abs=1e-6)
    assert got.residual == pytest.approx(1.019444, abs=1e-6)


@pytest.mark.parametrize(
    ("form", "value", "low", "high", "printed"),
    [
        # Exact values from the mean squares of Shrout & Fleiss 1979, table 3; 'printed': their
        # table 4, to two digits (.17 and .44 seen in print elsewhere, the others from memory).
        ("icc_1_1", 0.165742, -0.13, 0.72, 0.17),
        ("icc_2_1", 0.289764, 0.02, 0.76, 0.29),
        ("icc_3_1", 0.714841, 0.34, 0.95, 0.71),
        ("icc_1_k", 0.442797, -0.88, 0.91, 0.44),
        ("icc_2_k", 0.620051, 0.07, 0.93, 0.62),
        ("icc_3_k", 0.909316, 0.68, 0.99, 0.91),
    ],
)
def test_six_forms_are_shrout_and_fleiss_table_4(form, value, low, high, printed):
    got = getattr(reliability(SHROUT_FLEISS), form)
    assert got.value == pytest.approx(value, abs=1e-6)
    assert round(got.value, 2) == printed
    assert (round(got.low, 2), round(got.high, 2)) == (low, high)


@pytest.mark.parametrize("table", [SHROUT_FLEISS, WEIR], ids=["shrout-fleiss", "weir"])
def test_six_forms_and_intervals_agree_with_pingouin(table):
    rows = [(i, j, v) for i, row in enumerate(table) for j, v in enumerate(row)]
    frame = pd.DataFrame(rows, columns=["player", "repeat", "value"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = pingouin.intraclass_corr(frame, "player", "repeat", "value")
    got = reliability(table)
    forms = [got.icc_1_1, got.icc_2_1, got.icc_3_1, got.icc_1_k, got.icc_2_k, got.icc_3_k]
    assert [form.value for form in forms] == pytest.approx(list(reference["ICC"]), abs=1e-9)
    interval = next(column for column in reference.columns if column.startswith("CI95"))
    for form, (low, high) in zip(forms, reference[interval], strict=True):
        assert (form.low, form.high) == pytest.approx((low, high), abs=0.005 + 1e-9)


def test_weirs_data_set_a():
    # Weir 2005: mean squares 2099 (subjects), 30.2 (trials), 57.1 (error) as printed.
    got = reliability(WEIR)
    assert round(got.between) == 2099
    assert got.occasions == pytest.approx(30.25)
    assert round(got.residual, 1) == 57.1
    assert got.within == pytest.approx(53.75)
    assert (got.icc_1_1.value, got.icc_2_1.value, got.icc_3_1.value) == pytest.approx(
        (0.950053, 0.949975, 0.947016), abs=1e-6
    )
    assert got.sem_consistency == pytest.approx(7.556927, abs=1e-6)
    first, second = zip(*WEIR, strict=True)
    assert got.sem_consistency == pytest.approx(
        float(np.std(np.subtract(first, second), ddof=1)) / np.sqrt(2)
    )


@pytest.mark.parametrize(
    ("swings", "expected"), [(1, 20.9467), (3, 12.0936), (5, 9.3677), (10, 6.6239), (20, 4.6838)]
)
def test_detectable_change_shrinks_with_swings(swings, expected):
    # Weir 2005, MD = 1.96 sqrt(2) SEM, with the SEM of data set A (square root of 57.107).
    assert detectable_change(7.556927, swings=swings) == pytest.approx(expected, abs=1e-3)


def test_limits_of_agreement_of_bland_and_altman():
    got = limits_of_agreement(PEFR[:, 0], PEFR[:, 2], multiple=2)
    assert got.bias == pytest.approx(-2.117647, abs=1e-6)
    assert got.sd == pytest.approx(38.765130, abs=1e-6)
    assert (got.low, got.high) == pytest.approx((-79.647907, 75.412613), abs=1e-6)
    narrow = limits_of_agreement(PEFR[:, 0], PEFR[:, 2])
    assert (narrow.low, narrow.high) == pytest.approx((-78.097302, 73.862007), abs=1e-3)
    assert narrow.bias_interval == pytest.approx((-22.048838, 17.813544), abs=1e-6)
    # Bland & Altman 1986: standard error of a limit sqrt(3 s^2 / n); they centre the
    # intervals on limits with 2 SD.
    assert got.low_interval == pytest.approx((-114.1697, -45.1261), abs=1e-4)
    assert got.high_interval == pytest.approx((40.8908, 109.9344), abs=1e-4)


@pytest.mark.parametrize(
    ("columns", "within", "coefficient"),
    [((0, 1), 15.306669, 43.293798), ((2, 3), 19.910831, 56.316333)],
    ids=["Wright", "mini"],
)
def test_repeatability_of_bland_and_altman(columns, within, coefficient):
    got = repeatability(PEFR[:, columns[0]].tolist(), PEFR[:, columns[1]].tolist())
    assert got == pytest.approx((within, coefficient), abs=1e-6)


# NIST StRD SiRstv: one-way layout, five instruments by five.
SIRSTV = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]
ATMWTAG = (
    "1568 1465 1572 1785 1446 1903 1526 1494 1616 1587 1519 1486 1419 1569 1508 1672 1385 1518 "
    "1662 1424 1360 1333 1610 1477",
    "1079 1344 1513 1197 1604 1385 1642 1365 1151 1082 1517 1448 1198 1482 1334 1609 1101 1512 "
    "1469 1360 1254 1261 1450 1368",
)


def test_nist_one_way_layout_sirstv():
    # Certified: between SS 5.11462616E-02 (df 4), within SS 2.16636560E-01 (df 20).
    got = reliability(SIRSTV)
    assert 4 * got.between == pytest.approx(5.11462616000000e-02, rel=1e-9)
    assert 20 * got.within == pytest.approx(2.16636560000000e-01, rel=1e-9)
    assert got.between / got.within == pytest.approx(1.18046237440255, rel=1e-9)
    assert got.icc_1_1.value == pytest.approx(0.0348352, abs=1e-7)


def test_nist_one_way_layout_with_seven_constant_leading_digits():
    # AtmWtAg, certified F 15.9467335677930; the data leave few digits: 1e-6 is the page's own aim.
    got = reliability([[107.868 + int(d) / 1e7 for d in row.split()] for row in ATMWTAG])
    assert got.between / got.within == pytest.approx(15.9467335677930, rel=1e-6)
    assert got.sem_agreement == pytest.approx(1.51048314446410e-05, rel=1e-6)


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.lists(st.floats(-10, 10), min_size=3, max_size=3), min_size=4, max_size=6),
    st.floats(0.1, 10),
    st.floats(-50, 50),
)
def test_reliability_has_no_unit(table, scale, shift):
    values = np.array(table) + 30 * np.arange(len(table))[:, None]
    values[0, 0] += 5.0
    values[1, 1] -= 3.0
    first, second = reliability(values), reliability(scale * values + shift)
    assert second.icc_2_1.value == pytest.approx(first.icc_2_1.value, abs=1e-6)


@pytest.mark.parametrize("table", [[[1, 2]], [[1], [2]], [[1, 2], [3]], [[1, 2], [3, np.nan]]])
def test_a_table_that_cannot_be_judged_is_refused(table):
    with pytest.raises(ValueError, match=r"reliability|inhomogeneous"):
        reliability(table)


def test_agreement_needs_pairs():
    with pytest.raises(ValueError, match="three pairs"):
        limits_of_agreement([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="pairs"):
        repeatability([1.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="at least one"):
        detectable_change(1.0, swings=0)
