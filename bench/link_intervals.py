"""Does a bootstrap interval of a link hold the truth more often than Fisher's?

Two measures with a known correlation within the stages, two stages, as a lesson has them: normal
scatter, skewed scatter (a shifted lognormal), and normal scatter with one wild swing in ten. For
each lesson the product's own interval (Fisher's z, `evidence/links.py`) and SciPy's BCa and
percentile bootstrap of the swings centred within their stages, which is what SciPy's function can
be given. Counted: how often the 95 % interval holds the truth, and how wide it is.

    python bench/link_intervals.py [lessons a case, 400]
"""

from __future__ import annotations

import sys
import warnings

import numpy as np
from scipy import stats

from lessonmark.evidence.links import SwingValues, associate
from lessonmark.measures.measured import Measured

TRUE = (0.0, 0.6)
SWINGS = (5, 8)  # a stage


def draw(rng, case, r, n):
    """Draw one stage: (n, 2) with correlation r between the columns."""
    both = rng.multivariate_normal([0, 0], [[1, r], [r, 1]], size=n)
    if case == "skewed":
        # Shared part and own parts skewed alike; the correlation of the sum is r by construction.
        parts = rng.lognormal(0, 0.75, size=(n, 3))
        parts = (parts - np.exp(0.75**2 / 2)) / np.sqrt((np.exp(0.75**2) - 1) * np.exp(0.75**2))
        both = np.sqrt(r) * parts[:, :1] + np.sqrt(1 - r) * parts[:, 1:]
    if case == "wild":
        wild = rng.random(n) < 0.1
        both[wild] += rng.normal(0, 4, size=(wild.sum(), 2))
    return both


def correlation(x, y, axis=-1):
    x = x - x.mean(axis=axis, keepdims=True)
    y = y - y.mean(axis=axis, keepdims=True)
    return (x * y).sum(axis) / np.sqrt((x * x).sum(axis) * (y * y).sum(axis))


def main() -> None:
    """Print the table."""
    lessons = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    print(f"{lessons} lessons a case; two stages; 95 % intervals")
    print(
        "| scatter | true r | swings a stage | Fisher | width | BCa | width | percentile | width |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for case in ("normal", "skewed", "wild"):
        for r in TRUE:
            for n in SWINGS:
                rng = np.random.default_rng(11)
                kept = {"fisher": [], "BCa": [], "percentile": []}
                for _ in range(lessons):
                    groups = [draw(rng, case, r, n) for _ in range(2)]
                    kept["fisher"].append(_fisher(groups))
                    x, y = np.concatenate([g - g.mean(0) for g in groups]).T
                    for method in ("BCa", "percentile"):
                        with warnings.catch_warnings():
                            warnings.simplefilter("ignore")  # a degenerate resample
                            found = stats.bootstrap(
                                (x, y), correlation, paired=True, vectorized=True,
                                n_resamples=999, method=method, rng=rng,
                            ).confidence_interval  # fmt: skip
                        kept[method].append((found.low, found.high))
                cells = []
                for pairs in kept.values():
                    ends = np.array(pairs)
                    ends = ends[np.isfinite(ends).all(axis=1)]
                    inside = ((ends[:, 0] <= r) & (r <= ends[:, 1])).mean()
                    cells += [f"{100 * inside:.1f} %", f"{(ends[:, 1] - ends[:, 0]).mean():.2f}"]
                print(f"| {case} | {r} | {n} | {' | '.join(cells)} |", flush=True)


def _fisher(groups) -> tuple[float, float]:
    swings = [
        SwingValues(
            stage=str(k),
            values={
                key: Measured(value=float(value), se=1e-3, systematic=0.0)
                for key, value in zip("ab", row, strict=True)
            },
        )
        for k, group in enumerate(groups)
        for row in group
    ]
    found = associate(swings, "a", "b")
    return (np.nan, np.nan) if found.low is None else (found.low, found.high)


if __name__ == "__main__":
    main()
