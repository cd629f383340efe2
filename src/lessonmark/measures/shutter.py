"""How long the shutter was open, read off the moving shaft's smear.

While the shutter is open the shaft sweeps over a strip of the picture; the strip's width across
the shaft, over the speed at which that part of it moves, is the exposure. It is read at many
places along the shaft in the fastest frames before and after impact, where the frames before and
after show something else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from lessonmark.measures.seen import SwingSeen
from lessonmark.words import Position

__all__ = ["Shutter", "find_shutter"]

Array = npt.NDArray[np.float64]
GreyAt = Callable[[float], npt.NDArray[np.uint8]]

FRAMES = 6  # fastest of the swing
PLACES = np.linspace(0.45, 0.9, 10)  # along the shaft, butt 0 to head 1: bare steel
STEP_PX = 0.25
ROUND_S = 0.07  # to either side of the fastest moment
CLEAR = 18.0  # grey levels by which the strip stands out from what lies behind it
LEAST = 12  # strips read, of FRAMES * len(PLACES)
OWN_PX = 3.0  # a thin shaft at rest on a sharp picture; narrower strips say 'at most'
SCATTER_PX = 1.5  # of one strip's edges


@dataclass(frozen=True, kw_only=True)
class Shutter:
    """An exposure as the smear shows it."""

    open_s: float
    se_s: float
    at_most: bool  # the strip was hardly wider than a shaft at rest: open no longer than this
    head_px: float  # the clubhead's smear in its fastest frame


def find_shutter(swing: SwingSeen, grey_at: GreyAt) -> Shutter | None:
    """Read the exposure; None where no moving shaft stands out.

    Parameters
    ----------
    swing : with the club in its track.
    grey_at : gives the clip's frame nearest to a time, (height, width), 0 to 255.
    """
    ends = _ends(swing)
    if ends is None:
        return None
    times, butt, head = ends
    dt = float(np.median(np.diff(times)))
    speed = np.gradient(butt + 0.8 * (head - butt), times, axis=0)
    fast = np.argsort(-np.hypot(*np.nan_to_num(speed).T))[: 2 * FRAMES]
    opens, widths, weights = [], [], []
    used = 0
    for i in sorted(int(k) for k in fast if 0 < k < len(times) - 1):
        if used == FRAMES:
            break
        frames = [grey_at(times[i] + step * dt).astype(np.float64) for step in (-1, 0, 1)]
        # What only this frame shows: the shaft, where it is in neither neighbour.
        alone = np.minimum(abs(frames[1] - frames[0]), abs(frames[1] - frames[2]))
        used += 1
        for width, across in _strips(alone, butt, head, times, i):
            opens.append(width / across)
            widths.append(width)
            weights.append((across / SCATTER_PX) ** 2)
    if len(opens) < LEAST:
        return None
    middle = float(np.median(opens))
    spread = 1.4826 * float(np.median(np.abs(np.array(opens) - middle)))
    # Strips of one frame share what lies behind them: no better than one a frame.
    se = max(spread / np.sqrt(used), 0.05 * middle, 1.0 / np.sqrt(np.sum(weights)))
    return Shutter(
        open_s=middle,
        se_s=float(se),
        at_most=float(np.median(widths)) < 1.5 * OWN_PX,
        head_px=middle * float(np.nanmax(np.hypot(*np.gradient(head, times, axis=0).T))),
    )


def _ends(swing: SwingSeen) -> tuple[Array, Array, Array] | None:
    """Butt and head (frame, 2) px round impact, frame by frame."""
    paths = swing.paths
    if "grip_butt" not in paths.index or "clubhead" not in paths.index:
        return None
    butt, head = (paths.position[:, :, paths.index[name]] for name in ("grip_butt", "clubhead"))
    start, stop = _round_impact(swing, head)
    here = (paths.times >= start) & (paths.times <= stop)
    if here.sum() < 4:
        return None
    return paths.times[here], butt[here], head[here]


def _round_impact(swing: SwingSeen, head: Array) -> tuple[float, float]:
    """From P5 to P8; where they are not known yet, round the club's fastest moment."""
    if Position.P5 in swing.positions and Position.P8 in swing.positions:
        return swing.positions[Position.P5].time.s, swing.positions[Position.P8].time.s
    times = swing.paths.times
    speed = np.nan_to_num(np.hypot(*np.gradient(head, times, axis=0).T))
    # The middle of its fastest moments, so that one frame in error is not taken for impact.
    peak = float(np.median(times[np.argsort(-speed)[: max(3, round(0.04 * swing.fps))]]))
    return peak - ROUND_S, peak + ROUND_S


def _strips(
    alone: Array, butt: Array, head: Array, times: Array, i: int
) -> list[tuple[float, float]]:
    """Width of the strip, px, and the shaft's speed across itself, px/s, at places along it."""
    along = head[i] - butt[i]
    long = float(np.hypot(*along))
    if not np.isfinite(long) or long < 20.0:
        return []
    normal = np.array([-along[1], along[0]]) / long
    found = []
    for place in PLACES:
        path = butt + place * (head - butt)
        across = abs(float((path[i + 1] - path[i - 1]) @ normal / (times[i + 1] - times[i - 1])))
        reach = across * (times[i + 1] - times[i - 1]) / 2
        if not np.isfinite(across) or reach < 4 * OWN_PX:
            continue
        offsets = np.arange(-0.75 * reach, 0.75 * reach, STEP_PX)
        points = (path[i] + offsets[:, None] * normal - 0.5).astype(np.float32)
        profile = cv2.remap(
            alone.astype(np.float32), points[None, :, 0], points[None, :, 1], cv2.INTER_LINEAR
        )[0]
        width = _width(profile)
        if width is not None and width < 1.2 * reach:
            found.append((width, across))
    return found


def _width(profile: npt.NDArray[np.floating]) -> float | None:
    """Width at half height of the highest hump, px; None where nothing stands out."""
    floor = float(np.percentile(profile, 20))
    top = float(np.percentile(profile, 98))
    if top - floor < CLEAR:
        return None
    over = profile > (floor + top) / 2
    edges = np.flatnonzero(np.diff(over.astype(int)))
    if len(edges) != 2 or over[0]:
        return None
    return float(edges[1] - edges[0]) * STEP_PX
