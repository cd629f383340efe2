"""Which measures are read from the same points at the same moment, and so go together anyway.

Side bend and shoulder tilt at the same position both hang on the shoulders: a slip of one landmark
moves both, and so does plain geometry. Such a pair says nothing about the swing. What is drawn on
the picture tells which points a measure hangs on.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable

from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.registry import Measure, catalogue

__all__ = ["coupled_pairs"]

_MADE_OF = {  # a middle is made of two points
    "mid_hip": ("lead_hip", "trail_hip"),
    "mid_shoulder": ("lead_shoulder", "trail_shoulder"),
    "mid_ear": ("lead_ear", "trail_ear"),
}


def coupled_pairs(keys: Iterable[str]) -> frozenset[frozenset[str]]:
    """Find the pairs that share a measured point at the same position.

    Parameters
    ----------
    keys : str(MeasureAt); a key that the catalogue does not know is coupled with nothing.

    Returns
    -------
    frozenset of pairs : as `links.associate` takes them.
    """
    known = {entry.id: entry for entry in catalogue()}
    points = {}
    for key in keys:
        at = MeasureAt.parse(key)
        if at.measure in known:
            points[key] = (at.position, _points(known[at.measure]))
    return frozenset(
        frozenset((first, second))
        for first, second in itertools.combinations(points, 2)
        if points[first][0] == points[second][0] and points[first][1] & points[second][1]
    )


def _points(entry: Measure) -> frozenset[str]:
    names = [name for drawn in entry.draws if drawn.role == "measured" for name in drawn.points]
    return frozenset(part for name in names for part in _MADE_OF.get(name, (name,)))
