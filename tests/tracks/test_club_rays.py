"""Lines out of the hands: the search over all of them against trying every beginning and end."""

from __future__ import annotations

import numpy as np
import pytest

from lessonmark.tracks.club_rays import ASIDE, LATE, RAYS, RayFinder


@pytest.fixture(scope="module")
def finder():
    return RayFinder(200.0)


@pytest.fixture(scope="module")
def evidence(finder):
    """Seeded evidence, the same for rays close by, mostly against a line."""
    random = np.random.default_rng(3)
    rings = len(finder._rings)
    return np.clip(random.normal(-0.2, 0.6, (rings, RAYS)), -0.5, 1.0).astype(np.float32)


def every_piece(way):
    """Worth of each piece (begin, end) of a line: its evidence less what a late beginning costs."""
    sums = np.concatenate([[0.0], np.cumsum(way.astype(float))])
    late = np.concatenate([[0.0], LATE * np.arange(len(way))])
    worth = sums[None, 1:] - sums[:-1, None] - late[:-1, None]
    # A line may also begin right after the ring at which it ends, and then holds nothing.
    nothing = -late[1:]
    return np.maximum(np.triu(worth, 0) + np.tril(np.full(worth.shape, -np.inf), -1), nothing[None])


@pytest.mark.parametrize("ray", [0, 7, 100, 251, RAYS - 1])
@pytest.mark.parametrize("aside", range(len(ASIDE)))
def test_the_best_piece_of_every_line_is_found(finder, evidence, aside, ray):
    way = evidence[np.arange(len(evidence)), finder._shears[:, aside, ray]]
    worth = every_piece(way)
    assert finder._lines(evidence)[aside, ray] == pytest.approx(worth.max(), abs=1e-4)
    assert worth[:, finder._end(way)].max() == pytest.approx(worth.max(), abs=1e-4)
