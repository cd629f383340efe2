"""Fit one shaft-like line in a frame: the middle of the fan it swept while the shutter was open.

Across the line, at every step along it, the middle of what stands out from both sides is the place
at mid-exposure while the turn is even; a straight line through these middles is the shaft.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from lessonmark.tracks.background import Background

__all__ = ["BESIDE", "THICK", "Contrast", "Line", "fit_line"]

Array = npt.NDArray[np.float64]

# Half of a shaft's thickness and the outer edge of the strips beside it, as shares of the club's
# length on the image. A shaft is 0.9 to 1.6 cm thick (common practice, no source) on 90 to 115 cm.
THICK = 0.009
BESIDE = 0.028
STEPS_PX = 2.5  # along the line
STEPS_LEAST = 5
SIGNAL_LEAST = 0.8  # spreads of the background
THIN_LEAST = 0.1  # of the rays' evidence
UNEVEN_MOST = 1.0  # signals by which both sides may differ: more is an edge
ROUNDS = 4
SLOPE_MOST = np.radians(6.0)  # against the ray that the line was looked for along
ASIDE_MOST = 0.16  # club lengths
# What a line may be off sideways at its far end, as a share of the club's length: a shaft that
# bends, a strip of shirt or grass taken for shaft. Found on rendered swings, rounded up.
ASTRAY = 0.003
WELL_FILLED = 0.75  # a line with so much of it to be seen is as good as that
ALIKE_STEPS = 3.0  # neighbouring steps share the pixels' errors: so many count as one


@dataclass(frozen=True, kw_only=True)
class Contrast:
    """One frame against its background; points are window px of the background."""

    image: npt.NDArray[np.uint8]  # the window or a part of it, as it lies in the frame
    background: Background
    corner: tuple[int, int] = (0, 0)  # of the image in the window, px
    motion: Array | None = None  # (2, 3) of the camera, from the background to the frame, window px

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the window, px."""
        return self.background.window.size

    def sample(
        self, grid_x: npt.NDArray[np.float32], grid_y: npt.NDArray[np.float32]
    ) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
        """Return the difference from the background and the picture, in spreads, at points."""
        here_x, here_y = grid_x, grid_y
        if self.motion is not None:
            (xx, xy, x), (yx, yy, y) = self.motion.astype(np.float32)
            here_x, here_y = xx * grid_x + xy * grid_y + x, yx * grid_x + yy * grid_y + y
        grey = cv2.remap(
            self.image,
            here_x - np.float32(self.corner[0]),
            here_y - np.float32(self.corner[1]),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        scaled = cv2.remap(
            self.background.scaled,
            grid_x,
            grid_y,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        picture = np.asarray(grey * scaled[..., 0], np.float32)
        return np.asarray(picture - scaled[..., 1], np.float32), picture

    def hidden(
        self, grid_x: npt.NDArray[np.float32], grid_y: npt.NDArray[np.float32]
    ) -> npt.NDArray[np.bool_]:
        """Return where the difference alone proves nothing: the golfer often hides the scene."""
        found = cv2.remap(self.background.unsteady, grid_x, grid_y, cv2.INTER_NEAREST)
        return np.asarray(found > 0, np.bool_)


@dataclass(frozen=True, kw_only=True)
class Line:
    """A fitted line, in window pixels."""

    angle: float  # rad, atan2(dy, dx), y down, -pi to pi
    angle_se: float  # rad
    aside: float  # px from the hands' middle, + to the line's right
    aside_se: float  # px
    agreed: float  # px of its way on which what stands out is thin and in line


def fit_line(
    contrast: Contrast,
    hands: Array,
    *,
    angle: float,
    aside: float,
    fan: float,
    start: float,
    reach: float,
    filled: float,
    shown: tuple[Array, Array],
    length: float,
) -> Line | None:
    """Fit the line near a ray.

    Parameters
    ----------
    contrast : the frame.
    hands : (2,), window px, where the ray starts.
    angle, aside : of the ray, rad and px.
    fan : its width, rad.
    start, reach : from where to where it is seen, px from the hands.
    filled : share of the way to `reach` that looks like a shaft: what covers the rest also leads
        the line astray.
    shown : distances from the hands, px, and how much like a shaft the ray looks there, 0 to 1.
    length : of the club, window px.

    Returns
    -------
    Line | None : None where too little stands out, or the line is not the ray's.
    """
    along = np.arange(start, reach, STEPS_PX)
    if len(along) < STEPS_LEAST:
        return None
    widest = 2.2 * THICK * length + 0.62 * reach * fan + 1.0
    half = int(np.ceil(widest + 0.02 * length + 1))
    across = np.arange(-half, half + 1, dtype=float)
    axis = np.array([np.cos(angle), np.sin(angle)])
    side = np.array([-axis[1], axis[0]])
    corner = hands + aside * side - 0.5
    grid_x = corner[0] + along[:, None] * axis[0] + across[None, :] * side[0]
    grid_y = corner[1] + along[:, None] * axis[1] + across[None, :] * side[1]
    patch, _ = contrast.sample(grid_x.astype(np.float32), grid_y.astype(np.float32))
    # A cap's or a sleeve's edge stands out more than any shaft: where no thin line shows, what does
    # stand out is something else.
    thin = np.interp(along, *shown) > THIN_LEAST
    if thin.sum() < STEPS_LEAST:
        thin[:] = True
    offset = slope = 0.0  # px and px a px, against the ray
    for thick in (2.2, 1.6):
        reach_side = thick * THICK * length + 0.62 * along * fan + 1.0
        centre, signal, uneven = _middles(patch, across, offset + slope * along, reach_side, length)
        good = thin & (signal > SIGNAL_LEAST) & (uneven < UNEVEN_MOST * signal + 1.0)
        count = int(good.sum())
        if count < STEPS_LEAST:
            return None
        noise = (0.5 + reach_side / 6) / np.sqrt(np.clip(signal, SIGNAL_LEAST, 8.0))
        noise += 0.5 * uneven / (signal + 1)
        offset, slope, offset_var, slope_var, weight = _agreed(along, centre, noise, good)
        rest = (centre - offset - slope * along) / noise
        if abs(slope) > SLOPE_MOST or abs(offset) > ASIDE_MOST * length:
            return None
    chi = float(np.sum(weight * (rest * noise) ** 2) / max(count - 2, 1))
    inflated = ALIKE_STEPS * max(chi, 0.3)
    # As long as a line that is seen evenly over its length and spreads as much as this.
    total = float(weight.sum())
    spread = float(weight @ (along - (weight @ along) / total) ** 2) / total
    span = max(float(np.sqrt(12.0 * spread)), 10.0)
    turn = float(np.arctan(slope))
    broken = float(np.clip((WELL_FILLED / max(filled, 0.05)) ** 1.5, 0.8, 4.0))
    astray = ASTRAY * broken * length / span
    return Line(
        angle=float(np.mod(angle + turn + np.pi, 2 * np.pi) - np.pi),
        angle_se=float(np.hypot(np.sqrt(inflated * slope_var), astray)),
        aside=float((aside + offset) * np.cos(turn)),
        aside_se=float(np.sqrt(inflated * offset_var)),
        agreed=STEPS_PX * float(np.sum(good / (1.0 + (0.5 * rest) ** 2))),
    )


def _middles(
    patch: npt.NDArray[np.float32], across: Array, middle: Array, reach_side: Array, length: float
) -> tuple[Array, Array, Array]:
    """Return, step by step: the middle of what stands out, by how much, the sides' difference."""
    gap = across[None, :] - middle[:, None]
    off = np.abs(gap)
    inside = off <= reach_side[:, None]
    beside = ~inside & (off <= reach_side[:, None] + 0.02 * length)
    right = beside & (gap > 0)
    left = beside & (gap < 0)
    level_right = (patch * right).sum(axis=1) / np.maximum(right.sum(axis=1), 1)
    level_left = (patch * left).sum(axis=1) / np.maximum(left.sum(axis=1), 1)
    lift = (patch - (0.5 * (level_left + level_right))[:, None]) * inside
    lift *= np.sign(lift.sum(axis=1))[:, None]
    np.maximum(lift, 0.0, out=lift)
    mass = lift.sum(axis=1)
    centre = (lift @ across) / np.maximum(mass, 1e-6)
    signal = mass / np.maximum(inside.sum(axis=1), 1)
    return centre, signal, np.abs(level_left - level_right)


def _agreed(
    x: Array, y: Array, noise: Array, good: npt.NDArray[np.bool_]
) -> tuple[float, float, float, float, Array]:
    """Fit the line on which most steps agree; returns offset, slope, variances and weights.

    Where a head or a sleeve covers half of the way, the steps there agree on nothing, but weigh as
    much as those on the shaft: the fit also starts from the outer half alone, and the better holds.
    """
    whole = np.where(good, noise**-2, 0.0)
    outer = np.where(np.arange(len(x)) >= len(x) // 2, whole, 0.0)
    best: tuple[float, float, float, float, Array] | None = None
    least = np.inf
    for weight in (whole, outer):
        if np.count_nonzero(weight) < STEPS_LEAST:
            continue
        for _ in range(ROUNDS):
            offset, slope, offset_var, slope_var = _straight(x, y, weight)
            rest = (y - offset - slope * x) / noise
            weight = whole / (1.0 + (0.5 * rest) ** 2)
        cost = float(np.sum(np.minimum(rest[good] ** 2, 4.0)))
        if best is None or cost < 0.9 * least:
            best, least = (offset, slope, offset_var, slope_var, weight), cost
    assert best is not None  # the whole way holds enough steps, or the caller gave up before
    return best


def _straight(x: Array, y: Array, weight: Array) -> tuple[float, float, float, float]:
    """Fit y = offset + slope x; returns both and their variances for unit noise."""
    total = weight.sum()
    mean_x = (weight @ x) / total
    mean_y = (weight @ y) / total
    aside = x - mean_x
    spread = weight @ aside**2
    slope = (weight * aside) @ (y - mean_y) / spread
    return (
        float(mean_y - slope * mean_x),
        float(slope),
        float(1.0 / total + mean_x**2 / spread),
        float(1.0 / spread),
    )
