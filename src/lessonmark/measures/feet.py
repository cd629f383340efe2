"""Where the golfer stands at address, as the picture shows it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from lessonmark.errors import CannotMeasure
from lessonmark.measures.seen import SwingSeen
from lessonmark.words import View

__all__ = ["FEET", "FOOT_HEIGHT_CM", "FOOT_SE", "feet_at_address"]

Vector = npt.NDArray[np.float64]

FEET = ("ankle", "heel")
# Where the network sees ankles and heels, share of the torso's length. Face-on from what the line
# between the feet is off by in rendered golfers (bench/README.md, off square).
FOOT_SE = {View.FACE_ON: 0.035, View.DOWN_THE_LINE: 0.04}
# The ankle's height, 0.039 of stature (Winter 2009, fig. 4.1), and the heel's, taken together.
FOOT_HEIGHT_CM = 5.0


def feet_at_address(swing: SwingSeen, s: float) -> tuple[Vector, Vector, Vector, float] | None:
    """Read where the golfer stands; None where a foot, a hip or a shoulder is hidden.

    Returns
    -------
    Lead foot, trail foot and hips (2,) px from the picture's middle, and the torso's length, px.
    """

    def place(name: str) -> Vector:
        return np.asarray(swing.paths.at(name, s)[0] - swing.centre)

    def middle(joint: str) -> Vector:
        return np.asarray((place(f"lead_{joint}") + place(f"trail_{joint}")) / 2)

    try:
        lead, trail = (
            np.mean([place(f"{side}_{part}") for part in FEET], axis=0)
            for side in ("lead", "trail")
        )
        hips, shoulders = middle("hip"), middle("shoulder")
    except CannotMeasure:
        return None
    return lead, trail, hips, float(np.hypot(*(shoulders - hips)))
