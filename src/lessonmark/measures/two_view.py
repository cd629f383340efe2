"""The golfer in space from a face-on and a down-the-line clip of one swing.

No calibration board: what holds it together is that bones and club keep their length, that both
feet stand on the ground at address, that gravity points down in both pictures, and that a phone's
camera is a phone's camera. All of it goes into one bundle adjustment (Triggs et al. 2000,
doi 10.1007/3-540-44480-7_21) over the positions of the swing, and its covariance into every angle.
"""

from __future__ import annotations

import math

from scipy.optimize import least_squares

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.bundle import ROBUST, Problem
from lessonmark.measures.in_space import InSpace
from lessonmark.measures.measured import MeasureAt, Measured, Refused
from lessonmark.measures.registry import catalogue
from lessonmark.measures.seen import SwingSeen
from lessonmark.words import Position, View

__all__ = ["InSpace", "measure_pair", "reconstruct"]

# A standard error beyond which two views do not hold a measure; common practice, no source.
WIDEST_DEG = 15.0


def measure_pair(
    front: SwingSeen, side: SwingSeen, *, club_cm: float | None = None
) -> tuple[dict[str, Measured], dict[str, Refused]]:
    """Take the two-camera measures of one swing.

    Parameters
    ----------
    front, side : the same swing, face-on and down-the-line.
    club_cm : the club's length; None: not known.

    Returns
    -------
    measured, refused : by `str(MeasureAt)`.
    """
    wanted = [entry for entry in catalogue() if entry.solid is not None]
    try:
        found = reconstruct(front, side, club_cm=club_cm)
    except CannotMeasure as why:
        return {}, {entry.id: Refused(reason=why.what, do=why.do) for entry in wanted}
    measured: dict[str, Measured] = {}
    refused: dict[str, Refused] = {}
    for entry in wanted:
        assert entry.solid is not None
        for position in Position:
            key = str(MeasureAt(measure=entry.id, position=position))
            if position not in found.positions:
                refused[key] = Refused(reason=say("not found in both views"))
                continue
            value = entry.solid(found.figure(position))
            random, total = found.errors(position, entry.solid)
            if total > WIDEST_DEG:
                refused[key] = Refused(
                    reason=say("the two views do not hold it: ± {error:.0f}°", error=1.96 * total),
                    do=say("film both views at once, square and level, the whole golfer in"),
                )
                continue
            systematic = math.sqrt(max(total**2 - random**2, 0.0))
            measured[key] = Measured(value=value, se=random, systematic=systematic)
    return measured, refused


def reconstruct(front: SwingSeen, side: SwingSeen, *, club_cm: float | None = None) -> InSpace:
    """Find the golfer in space at the positions that the face-on clip has.

    Raises
    ------
    CannotMeasure : the clips are not a face-on and a down-the-line view, do not share two
        positions to set their clocks by, or the fit does not hold.
    """
    if front.view is not View.FACE_ON or side.view is not View.DOWN_THE_LINE:
        raise CannotMeasure(say("one face-on and one down-the-line clip are needed"))
    problem = Problem(front, side, club_cm)
    solved = least_squares(
        problem.residuals,
        problem.start(),
        jac_sparsity=problem.sparsity(),
        loss="soft_l1",
        f_scale=ROBUST,
        x_scale=problem.steps(),
        ftol=1e-6,
        xtol=1e-7,
        max_nfev=60,
    )
    return problem.result(solved.x)
