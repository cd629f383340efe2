"""How far repeats of the same thing agree: ICC, standard error of measurement, limits of agreement.

References
----------
Shrout & Fleiss 1979, Psychol Bull 86:420-428 (six forms and their intervals).
McGraw & Wong 1996, Psychol Methods 1:30-46 (the same, corrected and extended).
Weir 2005, J Strength Cond Res 19:231-240 (standard error of measurement, minimal difference).
Bland & Altman 1986, Lancet i:307-310 (limits of agreement, repeatability).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

__all__ = [
    "Agreement",
    "Icc",
    "Reliability",
    "detectable_change",
    "limits_of_agreement",
    "reliability",
    "repeatability",
]

LEVEL = 0.95


@dataclass(frozen=True, kw_only=True)
class Icc:
    """An intraclass correlation with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Reliability:
    """Repeats of several players (or of one player's lessons): mean squares and what follows.

    The forms are Shrout and Fleiss's: the first figure is the model (1: every player has other
    occasions, 2: occasions are a sample, 3: these occasions only), the second whether one repeat
    is used or the mean of all k.
    """

    players: int
    repeats: int
    between: float  # mean square between players
    within: float  # mean square within players
    occasions: float  # mean square between occasions
    residual: float  # mean square left
    icc_1_1: Icc
    icc_2_1: Icc
    icc_3_1: Icc
    icc_1_k: Icc
    icc_2_k: Icc
    icc_3_k: Icc

    @property
    def sem_consistency(self) -> float:
        """Standard error of measurement, a shift between occasions left out (Weir: sqrt(MSE))."""
        return math.sqrt(self.residual)

    @property
    def sem_agreement(self) -> float:
        """Standard error of measurement, a shift between occasions counted in."""
        return math.sqrt(self.within)


def reliability(table: Sequence[Sequence[float]]) -> Reliability:
    """Take all six intraclass correlations of a full table.

    Parameters
    ----------
    table : (players, repeats), one unit throughout, nothing missing.

    Raises
    ------
    ValueError : fewer than two players or repeats, a ragged table, a value that is not finite.
    """
    values = np.array(table, dtype=float)  # a ragged table raises here
    if values.ndim != 2 or min(values.shape) < 2:
        raise ValueError(f"reliability needs two players and two repeats, got {values.shape}")
    if not np.isfinite(values).all():
        raise ValueError("reliability needs a full table of finite values")
    n, k = values.shape
    grand = values.mean()
    between = k * float(((values.mean(axis=1) - grand) ** 2).sum()) / (n - 1)
    occasions = n * float(((values.mean(axis=0) - grand) ** 2).sum()) / (k - 1)
    within = float(((values - values.mean(axis=1, keepdims=True)) ** 2).sum()) / (n * (k - 1))
    residual = (within * n * (k - 1) - occasions * (k - 1)) / ((n - 1) * (k - 1))
    residual = max(residual, 0.0)
    one = _one_way(between, within, n, k)
    two = _two_way_random(between, occasions, residual, n, k)
    three = _two_way_fixed(between, residual, n, k)
    return Reliability(
        players=n,
        repeats=k,
        between=between,
        within=within,
        occasions=occasions,
        residual=residual,
        icc_1_1=one,
        icc_2_1=two,
        icc_3_1=three,
        icc_1_k=_of_mean(one, k),
        icc_2_k=_of_mean(two, k),
        icc_3_k=_of_mean(three, k),
    )


def detectable_change(sem: float, *, swings: int = 1) -> float:
    """Give the minimal detectable change between two means of `swings` swings each.

    References
    ----------
    Weir 2005: MD = 1.96 sqrt(2) SEM for single trials; means of k have SEM / sqrt(k).
    """
    if swings < 1:
        raise ValueError(f"a mean needs at least one swing, got {swings}")
    return float(stats.norm.ppf(0.975)) * math.sqrt(2.0 / swings) * sem


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """How far two ways of measuring the same thing lie apart, first minus second."""

    count: int
    bias: float
    sd: float  # of the differences
    low: float  # limits of agreement
    high: float
    bias_interval: tuple[float, float]  # 95 %
    low_interval: tuple[float, float]
    high_interval: tuple[float, float]


def limits_of_agreement(
    first: Sequence[float], second: Sequence[float], *, multiple: float = 1.96
) -> Agreement:
    """Take Bland and Altman's limits of agreement of paired readings.

    Parameters
    ----------
    first, second : paired, same unit, at least three pairs.
    multiple : standard deviations on either side; Bland and Altman 1986 print 2.

    Raises
    ------
    ValueError : the sequences differ in length or have fewer than three pairs.
    """
    if len(first) != len(second) or len(first) < 3:
        raise ValueError(f"agreement needs three pairs or more, got {len(first)} and {len(second)}")
    differences = np.subtract(first, second, dtype=float)
    count = differences.size
    bias, sd = float(differences.mean()), float(differences.std(ddof=1))
    t = float(stats.t.ppf(0.5 + LEVEL / 2, count - 1))
    of_bias, of_limit = t * sd / math.sqrt(count), t * math.sqrt(3.0 / count) * sd
    low, high = bias - multiple * sd, bias + multiple * sd
    return Agreement(
        count=count,
        bias=bias,
        sd=sd,
        low=low,
        high=high,
        bias_interval=(bias - of_bias, bias + of_bias),
        low_interval=(low - of_limit, low + of_limit),
        high_interval=(high - of_limit, high + of_limit),
    )


def repeatability(first: Sequence[float], second: Sequence[float]) -> tuple[float, float]:
    """Give the within-subject standard deviation and the repeatability of paired repeats.

    References
    ----------
    Bland & Altman 1986: s_w = sqrt(mean(d^2) / 2), coefficient 2 sqrt(mean(d^2)).
    """
    if len(first) != len(second) or not first:
        raise ValueError(f"repeats come in pairs, got {len(first)} and {len(second)}")
    square = float(np.mean(np.subtract(first, second, dtype=float) ** 2))
    return math.sqrt(square / 2.0), 2.0 * math.sqrt(square)


def _one_way(between: float, within: float, n: int, k: int) -> Icc:
    if within == 0.0:
        return Icc(value=1.0, low=1.0, high=1.0)
    value = (between - within) / (between + (k - 1) * within)
    ratio = between / within
    return _from_f(value, ratio, n - 1, n * (k - 1), k)


def _two_way_fixed(between: float, residual: float, n: int, k: int) -> Icc:
    if residual == 0.0:
        return Icc(value=1.0, low=1.0, high=1.0)
    value = (between - residual) / (between + (k - 1) * residual)
    return _from_f(value, between / residual, n - 1, (n - 1) * (k - 1), k)


def _from_f(value: float, ratio: float, df_1: int, df_2: int, k: int) -> Icc:
    top = 0.5 + LEVEL / 2
    low = ratio / float(stats.f.ppf(top, df_1, df_2))
    high = ratio * float(stats.f.ppf(top, df_2, df_1))
    return Icc(value=value, low=(low - 1) / (low + k - 1), high=(high - 1) / (high + k - 1))


def _two_way_random(between: float, occasions: float, residual: float, n: int, k: int) -> Icc:
    spread = between + (k - 1) * residual + k * (occasions - residual) / n
    value = (between - residual) / spread if spread > 0 else 1.0
    if residual == 0.0:
        return Icc(value=value, low=value, high=value)
    ratio = occasions / residual
    inner = n * (1 + (k - 1) * value) - k * value
    df = (k - 1) * (n - 1) * (k * value * ratio + inner) ** 2
    df /= (n - 1) * k**2 * value**2 * ratio**2 + inner**2
    top = 0.5 + LEVEL / 2
    above, below = float(stats.f.ppf(top, n - 1, df)), float(stats.f.ppf(top, df, n - 1))
    rest = k * occasions + (k * n - k - n) * residual
    return Icc(
        value=value,
        low=n * (between - above * residual) / (above * rest + n * between),
        high=n * (below * between - residual) / (rest + n * below * between),
    )


def _of_mean(single: Icc, k: int) -> Icc:
    """Step up from one repeat to the mean of k (Spearman 1910, Brown 1910)."""

    def stepped(value: float) -> float:
        return k * value / (1 + (k - 1) * value)

    return Icc(value=stepped(single.value), low=stepped(single.low), high=stepped(single.high))
