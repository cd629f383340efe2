"""The disc that a ball leaves behind: found among round things, fitted with a soft edge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

__all__ = ["DIAMETER_CM", "Disc", "find_disc"]

Array = npt.NDArray[np.float64]

# Not less than 42.67 mm (The R&A / USGA, Equipment Rules); in use just above it.
DIAMETER_CM = 4.27
DIAMETER_RATIO = (0.6, 1.6)  # of what the scale says: the ball lies nearer or farther than the hips
BESIDE_CM = 12.0  # a clubhead's middle stands about so near to the ball at address
SIZE_SPREAD = 0.2  # of the logarithm of the ball's size against the scale's
CONTRAST_LEAST = 6.0  # spreads of the background
ROUND_LEAST = 0.6  # share of the disc that a blob fills
EDGE_PX = 0.7  # softness of the disc's edge: lens and compression
FIT_FLOOR = 0.06  # of the diameter: shading and compression that the fit's residual does not show


@dataclass(frozen=True, kw_only=True)
class Disc:
    """A disc in zone px."""

    x: float
    y: float
    diameter: float
    centre_se: float
    diameter_se: float


def find_disc(
    gone: npt.NDArray[np.float32], noise: npt.NDArray[np.float32], beside: Array, px_per_cm: float
) -> tuple[Disc, Array] | None:
    """Find the disc that was there at address and is gone after impact.

    Parameters
    ----------
    gone : (height, width), the zone with the ball less the zone without it, grey levels.
    noise : (height, width), the zone's spread, grey levels.
    beside : (2,) zone px, where the clubhead stood.
    px_per_cm : picture px a centimetre.

    Returns
    -------
    The disc and its picture without the ground (height, width), or None.
    """
    expected = DIAMETER_CM * px_per_cm
    best: tuple[float, Disc] | None = None
    for sign in (1.0, -1.0):
        strong = (sign * gone > CONTRAST_LEAST * noise).astype(np.uint8)
        _, _, stats, centres = cv2.connectedComponentsWithStats(strong, connectivity=8)
        for (x, y, width, height, area), centre in zip(stats[1:], centres[1:], strict=True):
            across = max(width, height)
            if not 0.6 * DIAMETER_RATIO[0] * expected < across < DIAMETER_RATIO[1] * expected + 2:
                continue
            if min(width, height) < 0.6 * across or area < ROUND_LEAST * np.pi / 4 * width * height:
                continue
            disc = _fit_disc(gone, centre[0] + 0.5, centre[1] + 0.5, expected)
            if disc is None:
                continue
            # Of several round things the one of the right size, beside the club, that stands out.
            aside = np.hypot(*(centre - beside)) / (BESIDE_CM * px_per_cm)
            contrast = np.mean(np.abs(gone[y : y + height, x : x + width]))
            weight = (
                np.log(float(contrast))
                - 0.5 * (np.log(disc.diameter / expected) / SIZE_SPREAD) ** 2
                - 0.5 * aside**2
            )
            if best is None or weight > best[0]:
                best = float(weight), disc
    if best is None:
        return None
    disc = best[1]
    height, width = gone.shape
    far = np.hypot(
        np.arange(width)[None, :] + 0.5 - disc.x, np.arange(height)[:, None] + 0.5 - disc.y
    )
    return disc, np.where(far < 0.6 * disc.diameter + 1.0, gone, 0.0)


def _fit_disc(gone: npt.NDArray[Any], x: float, y: float, expected: float) -> Disc | None:
    """Fit a soft-edged disc whose brightness may slope, as light from one side makes it."""
    reach = int(np.ceil(1.2 * expected)) + 3
    x0, y0 = max(0, int(x) - reach), max(0, int(y) - reach)
    patch = gone[y0 : int(y) + reach + 1, x0 : int(x) + reach + 1]
    across = np.arange(patch.shape[1])[None, :] + 0.5 + x0
    down = np.arange(patch.shape[0])[:, None] + 0.5 + y0

    def model(values: Array) -> Array:
        cx, cy, radius, level, slope_x, slope_y, ground = values
        dx, dy = across - cx, down - cy
        edge = 1.0 / (1.0 + np.exp(np.clip((np.hypot(dx, dy) - radius) / (0.6 * EDGE_PX), -40, 40)))
        made: Array = edge * (level + slope_x * dx + slope_y * dy) + ground
        return made

    first = np.array([x, y, 0.5 * expected, gone[int(y), int(x)], 0.0, 0.0, 0.0])
    fit = least_squares(
        lambda values: (model(values) - patch).ravel(),
        first,
        loss="soft_l1",
        f_scale=4.0,
        max_nfev=60,
    )
    radius = float(fit.x[2])
    near = DIAMETER_RATIO[0] * expected <= 2 * radius <= DIAMETER_RATIO[1] * expected
    if not near or np.hypot(fit.x[0] - x, fit.x[1] - y) > 0.5 * expected:
        return None
    rest = model(fit.x) - patch
    variance = float(np.mean(rest**2))
    try:
        covariance = np.linalg.inv(fit.jac.T @ fit.jac) * variance
    except np.linalg.LinAlgError:
        return None
    floor = FIT_FLOOR * 2 * radius
    return Disc(
        x=float(fit.x[0]),
        y=float(fit.x[1]),
        diameter=2 * radius,
        centre_se=float(np.hypot(np.sqrt(max(covariance[0, 0], covariance[1, 1])), floor)),
        diameter_se=float(np.hypot(2 * np.sqrt(covariance[2, 2]), 1.3 * floor)),
    )
