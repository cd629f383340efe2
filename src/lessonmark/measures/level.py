"""Find how far the camera was rolled, from upright edges and from the line of the ground."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["WALL_SE_DEG", "GroundLine", "Roll", "find_ground_line", "find_roll"]

Grey = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

MOST_ROLL_DEG = 12.0  # a camera that is further over than this was put so on purpose
STEP_DEG = 0.25
WORK_WIDTH = 240  # px; the line of the ground needs no more
# How level an ordinary ground or horizon line is, and how upright an ordinary post or wall;
# common practice, no source.
GROUND_SE_DEG, UPRIGHT_SE_DEG = 0.7, 0.6
# A wall's foot that is not square to the camera falls to one side: 10 deg of a wall 2 m behind the
# golfer make 1.5 deg. How walls stand: common practice, no source.
WALL_SE_DEG = 1.5
UNSEEN_SE_DEG = 2.0  # nothing to go by: a camera on a stand, by eye
# The best line must stand out from the ordinary one by this factor to be called a line.
STANDS_OUT = 3.0
LEAST_STRIPS = 8
# Scatter of the strips about the line, share of the band that was searched: an edge in texture
# is anywhere in it, a third of the band from its middle; a real one lies along the line.
STRAIGHT = 0.2
LEAST_UPRIGHTS = 4
# What still passes for an upright once the picture's own lean is taken out.
UPRIGHT_SPREAD_DEG = 2.0


@dataclass(frozen=True, kw_only=True)
class GroundLine:
    """The long level edge behind the golfer: a horizon, a hedge's foot, a wall's foot."""

    slope_deg: float  # + falls to the image's right
    row_px: float  # at the picture's middle column
    strength: float  # how far it stands out, in ordinary lines


@dataclass(frozen=True, kw_only=True)
class Roll:
    """How far the camera was rolled."""

    deg: float  # + a plumb line's top leans to the image's right
    se_deg: float
    source: str  # 'ground line', 'upright edges', 'both', 'assumed'


def find_roll(
    grey: Grey, golfer: Mask, ground: GroundLine | None, *, ground_se_deg: float = GROUND_SE_DEG
) -> Roll:
    """Find the roll from what stands and lies behind the golfer.

    Parameters
    ----------
    grey : (height, width), one frame at address.
    golfer : (height, width), True where the player and club are: not looked at.
    ground : from `find_ground_line`; None where there is none.
    ground_se_deg : how level that line is.
    """
    upright = _upright_lean(grey, golfer)
    if ground is None and upright is None:
        return Roll(deg=0.0, se_deg=UNSEEN_SE_DEG, source="assumed")
    # A picture turned clockwise has its level lines falling to the right and its posts leaning
    # to the right by the same angle.
    if upright is None:
        assert ground is not None
        return Roll(deg=ground.slope_deg, se_deg=ground_se_deg, source="ground line")
    lean, lean_se = upright
    if ground is None:
        return Roll(deg=lean, se_deg=lean_se, source="upright edges")
    weights = np.array([ground_se_deg**-2, lean_se**-2])
    both = np.array([ground.slope_deg, lean])
    deg = float(weights @ both / weights.sum())
    apart = abs(ground.slope_deg - lean)
    # Where they disagree, one of them is not what it was taken for.
    se = max(float(weights.sum() ** -0.5), apart / 2)
    return Roll(deg=deg, se_deg=min(se, UNSEEN_SE_DEG), source="both")


def find_ground_line(grey: Grey, golfer: Mask) -> GroundLine | None:
    """Find the long level edge behind the golfer; None where nothing stands out.

    A Hough transform over near-level lines only, of the signed vertical gradient: along a real
    edge the sign stays the same, over texture it cancels.
    """
    scale = WORK_WIDTH / grey.shape[1]
    small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    keep = cv2.resize(golfer.astype(np.uint8), small.shape[::-1]) == 0
    steep = cv2.Sobel(cv2.GaussianBlur(small, (0, 0), 1.5), cv2.CV_32F, 0, 1, ksize=3)
    # One strong spot must not make a line: what counts is how much of the width agrees.
    limit = 3.0 * float(np.median(np.abs(steep[keep]))) + 1.0
    steep = np.clip(steep, -limit, limit) * keep
    rows, columns = np.nonzero(np.abs(steep) > 0.2 * limit)
    # A camera between knee and hat height sees the level line between the golfer's feet and hat.
    reach = np.nonzero(~keep.all(axis=1))[0]
    top, foot = (int(reach[0]), int(reach[-1])) if reach.size else (0, small.shape[0])
    if not rows.size or foot - top < 10:
        return None
    values = steep[rows, columns]
    centre = small.shape[1] / 2
    angles = np.arange(-MOST_ROLL_DEG, MOST_ROLL_DEG + STEP_DEG, STEP_DEG)
    best: tuple[float, float, float] = (0.0, 0.0, 0.0)
    ordinary = []
    for angle in angles:
        at = rows + 0.5 - (columns + 0.5 - centre) * math.tan(math.radians(angle))
        inside = (at >= top) & (at < foot)
        bins = at[inside].astype(int)
        sums = np.abs(np.bincount(bins, weights=values[inside], minlength=small.shape[0]))
        ordinary.append(float(np.percentile(sums[top:foot], 75)))
        peak = int(np.argmax(sums))
        if sums[peak] > best[0]:
            best = (float(sums[peak]), float(angle), float(peak))
    strength = best[0] / (float(np.median(ordinary)) + 1e-6)
    if strength < STANDS_OUT:
        return None
    line = (math.tan(math.radians(best[1])), (best[2] + 0.5) / scale)
    refined = _refined(grey, golfer, *line)
    if refined is None:
        return None
    slope, row = refined
    return GroundLine(slope_deg=math.degrees(math.atan(slope)), row_px=row, strength=strength)


def _refined(grey: Grey, golfer: Mask, slope: float, row: float) -> tuple[float, float] | None:
    """Fit the line to where the edge is steepest, strip by strip, at full size.

    None where the strips do not agree on one line: it was texture.
    """
    height, width = grey.shape
    steep = cv2.Sobel(cv2.GaussianBlur(grey, (0, 0), 1.5), cv2.CV_32F, 0, 1, ksize=3)
    strip = max(4, width // 90)
    reach = max(6, height // 60)
    places, weights = [], []
    lines = np.zeros(2 * reach + 1)
    cuts = []
    for left in range(0, width - strip, strip):
        x = left + strip / 2
        middle = int(row + slope * (x - width / 2))
        if middle - reach < 0 or middle + reach >= height:
            continue
        window = (slice(middle - reach, middle + reach + 1), slice(left, left + strip))
        if golfer[window].any():
            continue
        cut = steep[window].mean(axis=1)
        lines += cut
        cuts.append((x, middle, cut))
    sign = 1.0 if lines[np.argmax(np.abs(lines))] > 0 else -1.0
    for x, middle, cut in cuts:
        rising = np.maximum(sign * cut, 0.0) ** 2
        if rising.sum() > 0:
            at = middle - reach + float(np.average(np.arange(len(cut)), weights=rising)) + 0.5
            places.append((x - width / 2, at))
            weights.append(math.sqrt(float(rising.max())))
    if len(places) < LEAST_STRIPS:
        return None
    x, y = np.array(places).T
    base = np.array(weights) / max(weights)
    weight = base
    fit = np.array([slope, row])
    for _ in range(15):
        fit = np.polyfit(x, y, 1, w=np.sqrt(weight))
        left_over = y - np.polyval(fit, x)
        spread = 1.4826 * float(np.median(np.abs(left_over))) + 0.2
        weight = base / (1 + (left_over / spread) ** 2) ** 2
    if spread > STRAIGHT * reach:
        return None
    return float(fit[0]), float(fit[1])


def _upright_lean(grey: Grey, golfer: Mask) -> tuple[float, float] | None:
    height, width = grey.shape
    found = cv2.createLineSegmentDetector().detect(grey)[0]
    if found is None:
        return None
    ends = found.reshape(-1, 4).astype(float)
    dx, dy = ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1]
    length = np.hypot(dx, dy)
    # Angle of each segment to the picture's vertical, + top leaning right.
    lean = np.degrees(np.arctan(dx / np.where(np.abs(dy) < 1e-9, 1e-9, -dy)))
    x, y = (ends[:, 0] + ends[:, 2]) / 2, (ends[:, 1] + ends[:, 3]) / 2
    clear = ~golfer[np.clip(y.astype(int), 0, height - 1), np.clip(x.astype(int), 0, width - 1)]
    use = clear & (np.abs(lean) < MOST_ROLL_DEG) & (length > 0.05 * height)
    if use.sum() < LEAST_UPRIGHTS:
        return None
    lean, length, x = lean[use], length[use], x[use]
    # A camera that looks up or down makes uprights converge: lean grows along the picture.
    design = np.stack([np.ones_like(x), (x - width / 2) / width], axis=1)
    weights = length / length.max()
    for _ in range(10):
        root = np.sqrt(weights)[:, None]
        # The convergence is held near nothing: an ordinary camera looks up or down a few degrees.
        rows = np.vstack([design * root, [[0.0, 0.3]]])
        fit, *_ = np.linalg.lstsq(rows, np.append(lean * root[:, 0], 0.0), rcond=None)
        left = lean - design @ fit
        weights = length / length.max() / (1 + (left / UPRIGHT_SPREAD_DEG) ** 2) ** 2
    near = np.abs(left) < UPRIGHT_SPREAD_DEG
    if near.sum() < LEAST_UPRIGHTS or near.mean() < 0.4:
        return None
    scatter = float(np.std(left[near])) / math.sqrt(float(near.sum()))
    return float(fit[0]), math.hypot(UPRIGHT_SE_DEG, scatter)
