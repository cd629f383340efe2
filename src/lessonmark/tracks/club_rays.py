"""Where a shaft may be in one frame: lines that run out of the hands.

The difference from the background is sampled on rays around the hands. A shaft is thin, and
brighter or darker than both sides; while the shutter is open it sweeps a fan, whose width grows
with the distance from the hands. Every ray is asked how far out that holds, for a few fan widths
and for hands that are a few pixels off. What stands out is fitted as a line through the middle of
the fan, which is the shaft at mid-exposure while the turn is even.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["Contrast", "Ray", "RayFinder", "room_to_edge"]

Array = npt.NDArray[np.float64]

RAYS = 480  # 0.75 degrees apart
RINGS = 72  # samples along a ray
# Half of a shaft's thickness and the outer edge of the strips beside it, as shares of the club's
# length on the image. A shaft is 0.9 to 1.6 cm thick (common practice, no source) on 90 to 115 cm.
THICK = 0.009
BESIDE = 0.028
FANS_DEG = (0.0, 5.0, 14.0)  # fan widths looked for; between them the strips still overlap
# How far the line may pass beside the hands' middle, shares of the club's length.
ASIDE = (-0.06, -0.03, 0.0, 0.03, 0.06)
START = 0.12  # hands cover the club up to here, share of its length
EDGE_PX = 3.0  # strips that hang over the picture's edge are not trusted
RAYS_KEPT = 4
APART_DEG = 7.0  # two rays nearer than this are one
MISS = -0.5  # what a sample without a line takes off
LATE = 0.12  # what a ring takes off before the line begins: arms and heads hide the club
LEAST_RINGS = 6.0  # evidence below this many ring's worth is noise
# What a line may be off sideways at its far end, as a share of the club's length: a shaft that bends,
# a strip of shirt or grass taken for shaft. Found on rendered swings, rounded up.
ASTRAY = 0.004


@dataclass(frozen=True, kw_only=True)
class Ray:
    """One line out of the hands, in window pixels."""

    angle: float  # rad, atan2(dy, dx) with y down: the image's own turn
    angle_se: float  # rad
    aside: float  # px, distance of the line from the hands' middle, + to the ray's right
    aside_se: float  # px
    reach: float  # px, distance from the hands' middle to where the line ends
    score: float  # share of a whole club's length that looks like a shaft, 0 to about 1
    fan: float  # rad, width of the fan
    room: float  # px, from the hands' middle to the picture's edge that way


@dataclass(frozen=True, kw_only=True)
class Contrast:
    """One frame as the rays see it, all (height, width) of the window."""

    difference: npt.NDArray[np.float32]  # frame minus background, in spreads of the background
    picture: npt.NDArray[np.float32]  # the frame in the same unit
    unsteady: npt.NDArray[np.uint8]  # above 0 where the difference alone proves nothing


class _Strips:
    """A core and two strips beside it, on every ray at once, for one width of the fan."""

    def __init__(self, *, rings: Array, fan: float, length_px: float) -> None:
        bins = RAYS / (2 * np.pi)
        pad = RAYS // 4
        core = THICK * length_px / rings + fan / 2
        edge = core + (BESIDE - THICK) * length_px / rings + fan / 3
        inner = np.rint(core * bins).astype(int).clip(0, pad - 2)
        outer = np.rint(edge * bins).astype(int).clip(inner + 1, pad - 1)
        rows = np.arange(RAYS)[:, None] + pad
        columns = np.arange(len(rings))[None, :]
        self._edges = [
            ((rows + shift) * len(rings) + columns).astype(np.intp)
            for shift in (-outer, -inner, inner + 1, outer + 1)
        ]
        self._per_core = (1.0 / (2 * inner + 1)).astype(np.float32)
        self._per_side = (1.0 / (outer - inner)).astype(np.float32)
        self._need = np.float32(1.5 if fan == 0.0 else 1.0)

    def evidence(self, sums: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Weigh each sample from MISS (no line) to 1 (a clear one), given sums over the turn."""
        a, b, c, d = (sums.take(edge) for edge in self._edges)
        left = (b - a) * self._per_side
        core = (c - b) * self._per_core
        right = (d - c) * self._per_side
        ridge = np.maximum(core - np.maximum(left, right), np.minimum(left, right) - core)
        weighed: npt.NDArray[np.float32] = np.clip((ridge - self._need) * 0.5, MISS, 1.0)
        return weighed


class RayFinder:
    """Find shaft-like rays around a point.

    Parameters
    ----------
    length_px : the club's length on the image, unforeshortened, window px.
    """

    def __init__(self, length_px: float) -> None:
        self._length = length_px
        # A little beyond the length: hands' middle to head is shorter than the club, but the
        # club may lean towards the camera.
        self._radius = 1.08 * length_px
        rings_all = (np.arange(RINGS) + 0.5) * self._radius / RINGS
        self._first = int(np.searchsorted(rings_all, START * length_px))
        self._rings = rings_all[self._first :]
        count = len(self._rings)
        bins = RAYS / (2 * np.pi)
        rows = np.arange(RAYS)[:, None]
        rings = self._rings[None, :]
        columns = np.arange(count)[None, :]
        self._strips = [
            _Strips(rings=self._rings, fan=np.radians(fan), length_px=length_px) for fan in FANS_DEG
        ]
        self._shears = [
            (
                ((rows + np.rint(aside * length_px / rings * bins).astype(int)) % RAYS) * count
                + columns
            ).astype(np.intp)
            for aside in ASIDE
        ]

    def find(self, contrast: Contrast, hands: Array, fan_limit: float = np.pi) -> list[Ray]:
        """Find up to a few rays, strongest first.

        Parameters
        ----------
        contrast : one frame.
        hands : (2,), window px.
        fan_limit : rad, no fan can be wider: the shutter is open for one frame at the most.
        """
        scores, asides, fans, ends = self._score(contrast, hands, fan_limit)
        rays = []
        apart = round(APART_DEG * RAYS / 360)
        left = scores.copy()
        for _ in range(RAYS_KEPT):
            best = int(np.argmax(left))
            if left[best] < LEAST_RINGS:
                break
            near = (np.arange(best - apart, best + apart + 1)) % RAYS
            left[near] = 0.0
            ray = self._fit(
                contrast.difference,
                hands,
                angle=best * 2 * np.pi / RAYS,
                aside=ASIDE[asides[best]] * self._length,
                fan=np.radians(FANS_DEG[fans[best]]),
                reach=float(self._rings[ends[best]]),
                score=float(scores[best]) / len(self._rings),
                window=(contrast.difference.shape[1], contrast.difference.shape[0]),
            )
            if ray is not None:
                rays.append(ray)
        return rays

    def _score(
        self, contrast: Contrast, hands: Array, fan_limit: float
    ) -> tuple[Array, npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """Score every direction; returns score, place beside the hands, fan and end of each."""
        changed = self._sums(self._polar(contrast.difference, hands, cv2.INTER_LINEAR))
        shown = self._sums(self._polar(contrast.picture, hands, cv2.INTER_LINEAR))
        unsteady = self._polar(contrast.unsteady, hands, cv2.INTER_NEAREST) > 0
        evidence = np.full(unsteady.shape, MISS, np.float32)
        kind = np.zeros(unsteady.shape, np.int8)
        for index, strips in enumerate(self._strips):
            if index and np.radians(FANS_DEG[index - 1] + FANS_DEG[index]) / 2 > fan_limit:
                break
            here = strips.evidence(changed)
            # Where the player hid the scene, the difference shows thin strips along every limb
            # that has moved a little: there the picture itself must show a line too.
            here[unsteady] = np.minimum(here, strips.evidence(shown))[unsteady]
            better = here > evidence
            evidence[better] = here[better]
            kind[better] = index
        # What lies outside the picture speaks neither way.
        height, width = contrast.difference.shape
        every = np.arange(RAYS) * 2 * np.pi / RAYS
        room = room_to_edge(np.tile(hands, (RAYS, 1)), every, (width, height))
        evidence[self._rings[None, :] > room[:, None] - EDGE_PX] = 0.0
        flat = evidence.ravel()
        late = LATE * np.arange(len(self._rings), dtype=np.float32)
        best = np.full(RAYS, -1.0)
        aside_of = np.zeros(RAYS, np.intp)
        end_of = np.zeros(RAYS, np.intp)
        for index, shear in enumerate(self._shears):
            along = np.cumsum(flat[shear], axis=1)
            # The line may begin anywhere, a late beginning costs a little.
            before = np.minimum.accumulate(along + late, axis=1)
            along = along - np.minimum(before, 0.0)
            ends = np.argmax(along, axis=1)
            total = along[np.arange(RAYS), ends]
            better = total > best
            best[better] = total[better]
            aside_of[better] = index
            end_of[better] = ends[better]
        fan_of = np.zeros(RAYS, np.intp)
        for row in np.flatnonzero(best >= LEAST_RINGS):
            cells = self._shears[aside_of[row]][row, : end_of[row] + 1]
            good = flat[cells] > 0.2
            if good.any():
                kinds = np.bincount(kind.ravel()[cells][good], minlength=len(FANS_DEG))
                fan_of[row] = np.argmax(kinds)
        return best, aside_of, fan_of, end_of

    def _polar(self, image: npt.NDArray[Any], hands: Array, how: int) -> npt.NDArray[Any]:
        polar = cv2.warpPolar(
            image,
            (RINGS, RAYS),
            (float(hands[0]) - 0.5, float(hands[1]) - 0.5),
            self._radius,
            how | cv2.WARP_POLAR_LINEAR | cv2.WARP_FILL_OUTLIERS,
        )
        return polar[:, self._first :]

    def _sums(self, polar: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Sum up over the turn: row i holds the rows before row i, ray k being row k + pad."""
        pad = RAYS // 4
        sums = np.zeros((RAYS + 2 * pad + 1, polar.shape[1]), np.float32)
        np.cumsum(np.concatenate([polar[-pad:], polar, polar[:pad]]), axis=0, out=sums[1:])
        return sums.ravel()

    def _fit(
        self,
        difference: npt.NDArray[np.float32],
        hands: Array,
        *,
        angle: float,
        aside: float,
        fan: float,
        reach: float,
        score: float,
        window: tuple[int, int],
    ) -> Ray | None:
        """Fit a line through the fan's middle, ring by ring."""
        length = self._length
        core = THICK * length
        slope, offset = 0.0, 0.0  # of the line against the patch's middle, px a px and px
        step = 2.0
        far = min(reach + 0.08 * length, self._radius)
        along = np.arange(START * length, far, step)
        if len(along) < 5:
            return None
        half = int(np.ceil(core + BESIDE * length + far * (fan / 2 + fan / 3) + 4))
        across = np.arange(-half, half + 1, dtype=float)
        axis = np.array([np.cos(angle), np.sin(angle)])
        side = np.array([-axis[1], axis[0]])
        # A sheared ray curves in polar sampling: aside/r turns it, so the line is parallel-shifted.
        start = hands + aside * side - 0.5
        grid_x = (start[0] + along[:, None] * axis[0] + across[None, :] * side[0]).astype(
            np.float32
        )
        grid_y = (start[1] + along[:, None] * axis[1] + across[None, :] * side[1]).astype(
            np.float32
        )
        patch = cv2.remap(
            difference, grid_x, grid_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        used = along <= reach
        covariance = np.eye(2)
        wide = fan
        for turn in range(3):
            middle = offset + slope * along
            reach_side = core * (1.6 if turn else 2.2) + along * wide * 0.62 + 1.0
            gap = np.abs(across[None, :] - middle[:, None])
            inside = gap <= reach_side[:, None]
            beside = (gap > reach_side[:, None]) & (gap <= reach_side[:, None] + 0.02 * length)
            right = across[None, :] > middle[:, None]
            level_right = _mean(patch, beside & right)
            level_left = _mean(patch, beside & ~right)
            base = 0.5 * (level_left + level_right)
            lift = np.where(inside, patch - base[:, None], 0.0)
            sign = np.sign(np.sum(lift, axis=1))
            weight = np.maximum(lift * sign[:, None], 0.0)
            mass = weight.sum(axis=1)
            centre = (weight * across[None, :]).sum(axis=1) / np.maximum(mass, 1e-6)
            size = np.maximum(inside.sum(axis=1), 1)
            signal = mass / size
            uneven = np.abs(level_left - level_right)
            good = used & (signal > 0.8) & (uneven < 2.5 * signal + 1.0)
            if good.sum() < 5:
                return None
            noise = (0.5 + reach_side / 6) / np.clip(signal, 0.8, 8.0) ** 0.5 + 0.5 * uneven / (
                signal + 1
            )
            inverse = np.where(good, noise**-2, 0.0)
            for _ in range(2):
                design = np.stack([np.ones_like(along), along], axis=1)
                normal = design.T @ (inverse[:, None] * design)
                covariance = np.linalg.inv(normal)
                offset, slope = covariance @ (design.T @ (inverse * centre))
                rest = centre - offset - slope * along
                robust = 1.0 / (1.0 + (rest / (2.0 * noise)) ** 2)
                inverse = np.where(good, robust / noise**2, 0.0)
            if abs(slope) > np.radians(6) or abs(offset) > 0.08 * length:
                return None
        chi = float(np.sum(inverse * rest**2) / max(good.sum() - 2, 1))
        # Neighbouring rings share pixels' errors: a third of them count as independent.
        covariance = covariance * 3.0 * max(chi, 0.3)
        turn_rad = np.arctan(slope)
        held = along[good]
        span = float(np.clip(held[-1] - held[0], 10.0, None))
        return Ray(
            angle=float(np.mod(angle + turn_rad + np.pi, 2 * np.pi) - np.pi),
            angle_se=float(np.hypot(np.sqrt(covariance[1, 1]), ASTRAY * length / span)),
            aside=float((aside + offset) * np.cos(turn_rad)),
            aside_se=float(np.sqrt(covariance[0, 0])),
            reach=reach,
            score=score,
            fan=fan,
            room=float(room_to_edge(hands[None, :], np.array([angle]), window)[0]),
        )


def room_to_edge(points: Array, angles: Array, size: tuple[int, int]) -> Array:
    """Return how far it is from points (n, 2) along angles (n,) to the edge of the window, px."""
    axis = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    goal = np.where(axis > 0, np.asarray(size, float) - points, -points)
    far = np.min(goal / np.where(np.abs(axis) < 1e-9, 1e-9, axis), axis=1)
    return np.asarray(np.maximum(far, 0.0), np.float64)


def _mean(patch: npt.NDArray[Any], where: npt.NDArray[np.bool_]) -> Array:
    count = np.maximum(where.sum(axis=1), 1)
    mean: Array = np.where(where, patch, 0.0).sum(axis=1) / count
    return mean
