"""Where a shaft may be in one frame: lines that run out of the hands.

The difference from the background is sampled on rays around the hands. A shaft is thin, and
brighter or darker than both sides; while the shutter is open it sweeps a fan, whose width grows
with the distance from the hands. Every ray is asked how far out that holds, for a few fan widths
and for hands that are a few pixels off. What stands out is fitted as a line through the middle of
the fan, which is the shaft at mid-exposure while the turn is even.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lessonmark.tracks.club_line import BESIDE, THICK, Contrast, fit_line

__all__ = ["Ray", "RayFinder", "room_to_edge"]

Array = npt.NDArray[np.float64]

RAYS = 480  # 0.75 degrees apart
RINGS = 50  # samples along a ray
PAD = RAYS // 4  # rays by which sums over the turn overlap: no strip is wider
FANS_DEG = (0.0, 5.0, 14.0)  # fan widths looked for; between them the strips still overlap
# How far the line may pass beside the hands' middle, shares of the club's length.
ASIDE = (-0.14, -0.10, -0.06, -0.03, 0.0, 0.03, 0.06, 0.10, 0.14)
START = 0.12  # hands cover the club up to here, share of its length
EDGE_PX = 3.0  # strips that hang over the picture's edge are not trusted
RAYS_KEPT = 3
WEAK = 0.25  # of the strongest ray's score: weaker ones are not worth a fit
APART_DEG = 7.0  # two rays nearer than this are one
NEAR_RAYS = 10  # a line beside the hands crosses so many rays, but for its beginning
MISS = -0.5  # what a sample without a line takes off
LATE = 0.15  # what a ring takes off before the line begins: arms and heads hide the club
LEAST_RINGS = 4.2  # evidence below this many ring's worth is noise


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
    agreed: float  # share of a whole club's length on which the fitted line is thin and straight


class _Strips:
    """A core and two strips beside it, on every ray at once, for one width of the fan."""

    def __init__(self, *, rings: Array, fan: float, length_px: float) -> None:
        bins = RAYS / (2 * np.pi)
        core = THICK * length_px / rings + fan / 2
        edge = core + (BESIDE - THICK) * length_px / rings + fan / 3
        inner = np.rint(core * bins).astype(int).clip(0, PAD - 2)[:, None]
        outer = np.rint(edge * bins).astype(int).clip(inner[:, 0] + 1, PAD - 1)[:, None]
        first = np.arange(len(rings))[:, None] * (RAYS + 2 * PAD + 1) + PAD + np.arange(RAYS)
        self._edges = [
            (first + shift).astype(np.intp) for shift in (-outer, -inner, inner + 1, outer + 1)
        ]
        self._per_core = (1.0 / (2 * inner + 1)).astype(np.float32)
        self._per_side = (1.0 / (outer - inner)).astype(np.float32)
        self._need = np.float32(1.5 if fan == 0.0 else 1.0)

    def evidence(self, sums: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Weigh each sample from MISS (no line) to 1 (a clear one), given sums over the turn."""
        a, b, c, d = (sums.take(edge) for edge in self._edges)
        left = np.subtract(b, a, out=a)
        left *= self._per_side
        right = np.subtract(d, c, out=d)
        right *= self._per_side
        c -= b
        c *= self._per_core
        ridge = np.maximum(c - np.maximum(left, right), np.minimum(left, right) - c)
        ridge -= self._need
        ridge *= 0.5
        return np.asarray(np.clip(ridge, MISS, 1.0, out=ridge), np.float32)


@dataclass(frozen=True, kw_only=True)
class _Scores:
    """How well each direction looks like a shaft; samples are (ring, ray)."""

    best: Array  # (ray,) in rings' worth
    aside: npt.NDArray[np.intp]  # (ray,) index into ASIDE
    evidence: npt.NDArray[np.float32]
    kind: npt.NDArray[np.int8]  # index into FANS_DEG of the fan that showed best


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
        radius = 1.08 * length_px
        every = (np.arange(RINGS) + 0.5) * radius / RINGS
        self._rings = every[np.searchsorted(every, START * length_px) :]
        rings = self._rings[:, None]
        self._strips = [
            _Strips(rings=self._rings, fan=np.radians(fan), length_px=length_px) for fan in FANS_DEG
        ]
        # (ring, aside, ray): which ray a line beside the hands crosses there.
        shifts = np.rint(np.array(ASIDE) * length_px / rings * RAYS / (2 * np.pi)).astype(int)
        self._shears = ((shifts[:, :, None] + np.arange(RAYS)) % RAYS).astype(np.intp)
        self._late = (LATE * np.arange(len(rings))).astype(np.float32)
        self._angles = np.arange(RAYS) * 2 * np.pi / RAYS
        self._grid = (
            (np.cos(self._angles) * rings).astype(np.float32),
            (np.sin(self._angles) * rings).astype(np.float32),
        )

    def find(self, contrast: Contrast, hands: Array, fan_limit: float = np.pi) -> list[Ray]:
        """Find up to a few rays, strongest first.

        Parameters
        ----------
        contrast : one frame.
        hands : (2,), window px.
        fan_limit : rad, no fan can be wider: the shutter is open for one frame at the most.
        """
        room = room_to_edge(np.broadcast_to(hands, (RAYS, 2)), self._angles, contrast.size)
        scores = self._score(contrast, hands, fan_limit, room)
        rays = []
        apart = round(APART_DEG * RAYS / 360)
        left = scores.best.copy()
        for _ in range(RAYS_KEPT):
            best = int(np.argmax(left))
            if left[best] < max(LEAST_RINGS, WEAK * float(scores.best.max())):
                break
            left[np.arange(best - apart, best + apart + 1) % RAYS] = 0.0
            score, aside = float(scores.best[best]), int(scores.aside[best])
            way = np.arange(len(self._rings)), self._shears[:, aside, best]
            end = self._end(scores.evidence[way])
            fan = _fan(scores.evidence[way][: end + 1], scores.kind[way][: end + 1])
            line = fit_line(
                contrast,
                hands,
                angle=float(self._angles[best]),
                aside=ASIDE[aside] * self._length,
                fan=fan,
                start=float(self._rings[0]),
                reach=float(self._rings[end]),
                filled=score / (end + 1),
                shown=(self._rings, self._shown(scores.evidence, best, aside)),
                length=self._length,
            )
            if line is not None:
                rays.append(
                    Ray(
                        angle=line.angle,
                        angle_se=line.angle_se,
                        aside=line.aside,
                        aside_se=line.aside_se,
                        reach=float(self._rings[end]),
                        score=score / len(self._rings),
                        fan=fan,
                        room=float(room[best]),
                        agreed=line.agreed / self._length,
                    )
                )
        return rays

    def _score(self, contrast: Contrast, hands: Array, fan_limit: float, room: Array) -> _Scores:
        """Score every direction."""
        grid_x = self._grid[0] + np.float32(hands[0] - 0.5)
        grid_y = self._grid[1] + np.float32(hands[1] - 0.5)
        difference, picture = contrast.sample(grid_x, grid_y)
        changed = _sums(difference)
        # Every third ray is enough to know where the golfer is.
        unsteady = np.repeat(contrast.hidden(grid_x[:, 1::3], grid_y[:, 1::3]), 3, axis=1)
        shown = _sums(picture) if unsteady.any() else None
        evidence = np.full(difference.shape, MISS, np.float32)
        kind = np.zeros(difference.shape, np.int8)
        for index, strips in enumerate(self._strips):
            # The narrowest fan is looked for at rest as well: it is as wide as a clubhead, so that
            # the line ends at the same place whether the club moves or stands.
            if index > 1 and np.radians(FANS_DEG[index - 1] + FANS_DEG[index]) / 2 > fan_limit:
                break
            here = strips.evidence(changed)
            if shown is not None:
                # Where the player hid the scene, the difference shows thin strips along every
                # limb that has moved a little: there the picture itself must show a line too.
                np.minimum(here, strips.evidence(shown), out=here, where=unsteady)
            if index:
                np.copyto(kind, np.int8(index), where=here > evidence)
                np.maximum(evidence, here, out=evidence)
            else:
                evidence = here
        # What lies outside the picture speaks neither way.
        evidence[self._rings[:, None] > room - EDGE_PX] = 0.0
        totals = self._lines(evidence)
        aside = np.argmax(totals, axis=0)
        best = np.where(_promising(evidence), totals[aside, np.arange(RAYS)], 0.0)
        return _Scores(best=best.astype(np.float64), aside=aside, evidence=evidence, kind=kind)

    def _lines(self, evidence: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Return how many rings' worth of evidence each line has: (aside, ray)."""
        so_far = np.zeros(self._shears.shape[1:], np.float32)
        before = np.zeros_like(so_far)  # the least sum so far: where the line begins
        best = np.full_like(so_far, -np.inf)
        worth = np.empty_like(so_far)
        for here, shear, late in zip(evidence, self._shears, self._late, strict=True):
            so_far += here.take(shear)
            # The line may begin anywhere, a late beginning costs a little.
            np.minimum(before, np.add(so_far, late, out=worth), out=before)
            np.maximum(best, np.subtract(so_far, before, out=worth), out=best)
        return best

    def _end(self, way: npt.NDArray[np.float32]) -> int:
        """Return the ring at which a line ends, given the evidence on its way."""
        so_far = np.cumsum(way, dtype=np.float32)
        before = np.minimum(np.minimum.accumulate(so_far + self._late), 0.0)
        return int(np.argmax(so_far - before))

    def _shown(self, evidence: npt.NDArray[np.float32], ray: int, aside: int) -> Array:
        """Return how well each ring of a ray, or one right beside it, looks like a shaft."""
        beside = [(ray + shift) % RAYS for shift in (-1, 0, 1)]
        rings = np.arange(len(evidence))[:, None]
        shown = evidence[rings, self._shears[:, aside, beside]]
        return np.asarray(shown.max(axis=1), np.float64)


def _fan(way: npt.NDArray[np.float32], kind: npt.NDArray[np.int8]) -> float:
    """Return how wide a fan most of a line shows, rad."""
    kinds = np.bincount(kind[way > 0.2], minlength=len(FANS_DEG))
    return float(np.radians(FANS_DEG[int(np.argmax(kinds))]))


def _sums(polar: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Sum up over the turn, ring by ring: entry i holds the rays before ray i - PAD."""
    sums = np.empty((len(polar), RAYS + 2 * PAD + 1), np.float32)
    sums[:, 0] = 0.0
    sums[:, 1 : PAD + 1] = polar[:, -PAD:]
    sums[:, PAD + 1 : PAD + 1 + RAYS] = polar
    sums[:, PAD + 1 + RAYS :] = polar[:, :PAD]
    np.cumsum(sums, axis=1, out=sums)
    return sums.ravel()


def _promising(evidence: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """Return whether enough samples on or near a ray are line-like for it to be counted."""
    hits = (evidence > 0.0).sum(axis=0)
    near = np.cumsum(np.concatenate([hits[-NEAR_RAYS - 1 :], hits, hits[:NEAR_RAYS]]))
    around = near[2 * NEAR_RAYS + 1 :] - near[: -2 * NEAR_RAYS - 1]
    return np.asarray(around >= LEAST_RINGS, np.bool_)


def room_to_edge(points: Array, angles: Array, size: tuple[int, int]) -> Array:
    """Return how far it is from points (n, 2) along angles (n,) to the edge of the window, px."""
    axis = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    goal = np.where(axis > 0, np.asarray(size, float) - points, -points)
    far = np.min(goal / np.where(np.abs(axis) < 1e-9, 1e-9, axis), axis=1)
    return np.asarray(np.maximum(far, 0.0), np.float64)
