"""What two cameras saw of one swing, each sight with its error: the bundle's observations."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.facing import LINES
from lessonmark.measures.in_space import POINTS
from lessonmark.measures.seen import SwingSeen
from lessonmark.measures.systematic import landmark_cov
from lessonmark.words import Position

__all__ = ["Depths", "Places", "clock_shift_s", "see_depths", "see_places"]

Array = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int_]

UNSEEN_FACTOR = 4.0  # on the error of a joint that the network calls hidden


@dataclass(frozen=True, kw_only=True, eq=False)
class Places:
    """Points in the pictures; each row a point of one view at one position."""

    at: Whole  # (sight, 3): view, position, point
    place: Array  # (sight, 2) px from the picture's middle, (target or ball, up)
    root: Array  # (sight, 2, 2) makes a difference's two coordinates of standard error one
    share: Array  # (2 sight,) share of the variance that differs from swing to swing


@dataclass(frozen=True, kw_only=True, eq=False)
class Depths:
    """How much farther from the camera a line's lead end is; each row one view at one position."""

    at: Whole  # (sight, 3): view, position, line of `facing.LINES`
    farther_px: Array  # (sight,)
    se_px: Array  # (sight,)
    share: Array  # (sight,)


def see_places(views: tuple[SwingSeen, SwingSeen], seconds: list[list[float]]) -> Places:
    """Gather every point that either camera saw.

    Parameters
    ----------
    views : face-on, down-the-line.
    seconds : per view, the time of each position in its clip.

    Raises
    ------
    CannotMeasure : no point is in sight at all.
    """
    at, place, root, share = [], [], [], []
    for v, swing in enumerate(views):
        torso = _torso_px(swing)
        scatter = (swing.network_scatter * torso) ** 2 * np.eye(2)
        # Mirroring turns the covariance's slope around with the picture.
        flip = np.diag([float(swing.toward), -1.0])
        for i, s in enumerate(seconds[v]):
            for k, name in enumerate(POINTS):
                try:
                    px, cov, seen = swing.paths.guess(name, s)
                except CannotMeasure:
                    continue
                random = cov + scatter
                total = random + landmark_cov(swing, name, s, torso)
                worse = 1.0 if seen else UNSEEN_FACTOR
                at.append((v, i, k))
                place.append(flip @ (px - swing.centre))
                root.append(np.linalg.inv(np.linalg.cholesky(flip @ total @ flip)) / worse)
                share += [float(np.trace(random) / np.trace(total))] * 2
    if not at:
        raise CannotMeasure(say("no joint is seen in either clip"))
    return Places(
        at=np.array(at), place=np.array(place), root=np.array(root), share=np.array(share)
    )


def see_depths(
    views: tuple[SwingSeen, SwingSeen],
    seconds: list[list[float]],
    positions: tuple[Position, ...],
) -> Depths:
    """Gather what each view's track says of the way the body faces; empty where it says nothing."""
    at, value, se, share = [], [], [], []
    for v, swing in enumerate(views):
        if swing.facing is None:
            continue
        for i, (s, position) in enumerate(zip(seconds[v], positions, strict=True)):
            farther, random, shared = swing.facing.at(s, position.number - 1.0)
            for line in range(len(LINES)):
                total = math.hypot(random[line], shared[line])
                at.append((v, i, line))
                value.append(farther[line])
                se.append(total)
                share.append((random[line] / total) ** 2)
    return Depths(
        at=np.array(at, dtype=int).reshape(-1, 3),
        farther_px=np.array(value, dtype=float),
        se_px=np.array(se, dtype=float),
        share=np.array(share, dtype=float),
    )


def clock_shift_s(front: SwingSeen, side: SwingSeen) -> float:
    """Seconds to add to the face-on clip's clock to have the other's.

    Raises
    ------
    CannotMeasure : the clips share no position.
    """
    shared = [p for p in Position if p in front.positions and p in side.positions]
    # Address and finish are stillnesses, seen at other moments by each camera.
    moving = [p for p in shared if p not in (Position.P1, Position.P10)] or shared
    if not moving:
        raise CannotMeasure(
            say("the two clips share no position of the swing"),
            do=say("film both views at once"),
        )
    times = [(front.positions[p].time, side.positions[p].time) for p in moving]
    shifts = np.array([b.s - a.s for a, b in times])
    errors = np.array([math.hypot(a.se, b.se) for a, b in times])
    middle = float(np.median(shifts))
    weights = 1.0 / (errors**2 + (shifts - middle) ** 2)
    return float(weights @ shifts / weights.sum())


def _torso_px(swing: SwingSeen) -> float:
    s = swing.positions[Position.P1].time.s if Position.P1 in swing.positions else None
    if s is None:
        raise CannotMeasure(say("address (P1) was not found"))
    ends = [
        (swing.paths.guess(f"lead_{j}", s)[0] + swing.paths.guess(f"trail_{j}", s)[0]) / 2
        for j in ("shoulder", "hip")
    ]
    return float(np.hypot(*(ends[0] - ends[1])))
