"""What stands still behind the golfer: a grey picture and its spread, pixel by pixel.

The median over frames in which the hands are in different places is the scene without the club,
even where the player stood over the ball for most of the clip. A camera held in the hand is
registered first, on corners outside the golfer's reach.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from lessonmark.tracks.pixel_spread import median_and_gaps

__all__ = [
    "Background",
    "Registration",
    "Window",
    "learn_background",
    "small_picture",
    "spread_samples",
]

# A camera counts as still while no sampled frame moves more than this on its corners. Below it,
# registering adds more error than it removes.
STILL_PX = 0.25
# The least spread of a grey level that is believed, in grey levels: 8-bit rounding and
# compression leave at least this on a flat wall.
LEAST_SPREAD = 1.5
CORNERS = 60
# Corners are followed on a picture no larger than this: their places are good to some hundredths
# of its pixels, and sixty of them agree on a shift still better.
SMALL_PX = 640
# A pixel that differs from the median in a tenth of the frames was hidden by something broader
# than a club, which is anywhere for a few frames only.
OFTEN = 0.9
OFTEN_SPREADS = 4.0
MAD_TO_SD = 1.4826  # normal distribution


@dataclass(frozen=True, kw_only=True)
class Window:
    """The part of the picture that is worked on, and how far it is made smaller.

    Window pixel w belongs to picture position ``corner + shrink * w``, both with (0, 0) at the
    outer corner of their top-left pixel.
    """

    x: int  # px, left edge in the picture
    y: int  # px, top edge
    width: int  # px in the picture, at least `shrink`
    height: int
    shrink: int = 1  # picture pixels that become one

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, window px."""
        return self.width // self.shrink, self.height // self.shrink

    def cut(self, image: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
        """Cut the window out of a whole grey picture and shrink it."""
        return self._shrunk(image, 0, 0, *self.size)

    def cut_around(
        self, image: npt.NDArray[np.uint8], middle: npt.NDArray[np.float64], reach: float
    ) -> tuple[tuple[int, int], npt.NDArray[np.uint8]]:
        """Cut what lies within `reach` of `middle`, both window px; returns its corner as well."""
        width, height = self.size
        x0 = int(np.clip(middle[0] - reach, 0, width - 1))
        y0 = int(np.clip(middle[1] - reach, 0, height - 1))
        x1 = int(np.clip(np.ceil(middle[0] + reach), x0 + 1, width))
        y1 = int(np.clip(np.ceil(middle[1] + reach), y0 + 1, height))
        return (x0, y0), self._shrunk(image, x0, y0, x1, y1)

    def inside(self, points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Carry picture points (..., 2) to window points."""
        return np.asarray((points - np.array([self.x, self.y])) / self.shrink, np.float64)

    def outside(self, points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Carry window points (..., 2) to picture points."""
        return np.asarray(points * self.shrink + np.array([self.x, self.y]), np.float64)

    def _shrunk(
        self, image: npt.NDArray[np.uint8], x0: int, y0: int, x1: int, y1: int
    ) -> npt.NDArray[np.uint8]:
        """Cut window px (x0, y0) to (x1, y1)."""
        step = self.shrink
        part = image[
            self.y + step * y0 : self.y + step * y1, self.x + step * x0 : self.x + step * x1
        ]
        if step == 1:
            return np.ascontiguousarray(part)
        small = cv2.resize(part, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)
        return np.asarray(small, np.uint8)


def small_picture(image: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Shrink a whole grey picture by whole pixels to what a registration needs."""
    step = _small_step(image.shape)
    if step == 1:
        return np.ascontiguousarray(image)
    size = (image.shape[1] // step, image.shape[0] // step)
    whole = image[: size[1] * step, : size[0] * step]
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)


def _small_step(shape: tuple[int, ...]) -> int:
    return max(1, int(np.ceil(max(shape) / SMALL_PX)))


class Registration:
    """Find how the camera moved since a reference frame, from corners away from the golfer.

    Parameters
    ----------
    reference : whole grey picture.
    golfer : x0, y0, x1, y1 of the area that moves by itself, px.
    """

    def __init__(
        self, reference: npt.NDArray[np.uint8], golfer: tuple[float, float, float, float]
    ) -> None:
        self._step = _small_step(reference.shape)
        self._reference = small_picture(reference)
        mask = np.full(self._reference.shape, 255, np.uint8)
        x0, y0, x1, y1 = (max(0, int(edge / self._step)) for edge in golfer)
        mask[y0:y1, x0:x1] = 0
        corners = cv2.goodFeaturesToTrack(self._reference, CORNERS, 0.02, 8, mask=mask)
        self._corners = (
            np.empty((0, 1, 2), np.float32) if corners is None else corners.astype(np.float32)
        )

    def motion(self, image: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
        """Return the (2, 3) similarity from reference to `image`; none if too few corners agree."""
        return self.motion_of_small(small_picture(image))

    def motion_of_small(self, now: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
        """Return the motion, in px of the whole picture, to one shrunk by `small_picture`."""
        still = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
        if len(self._corners) < 8:
            return still
        moved, found, _ = cv2.calcOpticalFlowPyrLK(
            self._reference,
            now,
            self._corners,
            np.empty_like(self._corners),
            winSize=(15, 15),
            maxLevel=2,
        )
        good = found.ravel() == 1
        if good.sum() < 8:
            return still
        fit, agree = cv2.estimateAffinePartial2D(
            self._corners[good], moved[good], method=cv2.RANSAC, ransacReprojThreshold=1.0
        )
        if fit is None or agree.sum() < 8:
            return still
        fit = np.asarray(fit, np.float64)
        # A small picture's pixel i is the whole picture's step * i + (step - 1) / 2.
        middle = 0.5 * (self._step - 1)
        fit[:, 2] = self._step * fit[:, 2] + middle * (1.0 - fit[:, :2].sum(axis=1))
        return fit


@dataclass(frozen=True, kw_only=True)
class Background:
    """The still scene inside a window."""

    window: Window
    median: npt.NDArray[np.float32]  # (height, width) grey levels
    spread: npt.NDArray[np.float32]  # (height, width) grey levels, one standard deviation
    unsteady: npt.NDArray[np.uint8]  # (height, width) 255 where the scene was often hidden
    registration: Registration | None  # None: the camera stands still

    @cached_property
    def scaled(self) -> npt.NDArray[np.float32]:
        """(height, width, 2): one over the spread, and the median in spreads."""
        return np.dstack([1.0 / self.spread, self.median / self.spread]).astype(np.float32)

    def align(
        self, image: npt.NDArray[np.uint8]
    ) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.float64]]:
        """Cut the window out of a frame, the camera's motion undone.

        Returns
        -------
        The window's grey picture, and the (2, 3) motion from reference to frame, picture px.
        """
        if self.registration is None:
            return self.window.cut(image), np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
        motion = self.registration.motion(image)
        return _cut_moved(self.window, image, motion), motion


def _cut_moved(
    window: Window, image: npt.NDArray[np.uint8], motion: npt.NDArray[np.float64]
) -> npt.NDArray[np.uint8]:
    """Cut where the window has moved to."""
    corner = np.array([window.x, window.y], float)
    carry = motion.copy()
    # warpAffine counts pixel centres from 0: only the shift of the window enters.
    carry[:, 2] += motion[:, :2] @ corner
    part = cv2.warpAffine(
        image,
        carry,
        (window.width, window.height),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    if window.shrink == 1:
        return np.asarray(part, np.uint8)
    width, height = window.size
    whole = part[: height * window.shrink, : width * window.shrink]
    return np.asarray(cv2.resize(whole, window.size, interpolation=cv2.INTER_AREA), np.uint8)


def spread_samples(hands: npt.NDArray[np.float64], count: int) -> list[int]:
    """Choose frames in which the hands are in different places.

    Parameters
    ----------
    hands : (time, 2), px.
    count : how many frames at most.

    Returns
    -------
    Indices, ascending. Equal steps along the hands' path and not in time, so that a player who
    stands over the ball for ten seconds is not taken for scenery.
    """
    if len(hands) <= count:
        return list(range(len(hands)))
    steps = np.hypot(*np.diff(hands, axis=0).T)
    steps = np.where(np.isfinite(steps), steps, 0.0)
    # A noisy keypoint also walks while the player stands: only steps above its tremble count.
    walked = np.concatenate([[0.0], np.cumsum(np.maximum(steps - np.median(steps), 0.0))])
    # A tenth of the weight by time keeps the ends in when the hands hardly move.
    walked = walked / max(walked[-1], 1e-9) + 0.1 * np.linspace(0, 1, len(hands))
    wanted = np.linspace(0, walked[-1], count)
    return sorted({int(i) for i in np.searchsorted(walked, wanted).clip(0, len(hands) - 1)})


def learn_background(
    images: Iterable[npt.NDArray[np.uint8]],
    *,
    window: Window,
    golfer: tuple[float, float, float, float],
) -> Background:
    """Learn the still scene from sampled frames.

    Parameters
    ----------
    images : whole grey pictures, at least 3, the hands in different places; only the window of
        each is held.
    window : the part to learn.
    golfer : x0, y0, x1, y1 of what moves by itself, px: registration looks elsewhere.

    Returns
    -------
    Background : per-pixel median; spread from the median absolute deviation, not below what
        compression leaves.
    """
    registration: Registration | None = None
    moving = False
    parts = []
    middle = np.array([window.x + window.width / 2, window.y + window.height / 2, 1.0])
    for image in images:
        if registration is None:
            registration = Registration(image, golfer)
        motion = registration.motion(image)
        moved = float(np.hypot(*(motion @ middle - middle[:2]))) > STILL_PX
        moving = moving or moved
        parts.append(_cut_moved(window, image, motion) if moved else window.cut(image))
    if len(parts) < 3:
        raise ValueError(f"a background needs at least 3 frames, got {len(parts)}")
    stack = np.stack(parts)
    count = len(stack)
    median, (gap, often) = median_and_gaps(stack, (count // 2, int(OFTEN * (count - 1))))
    around = cv2.blur((MAD_TO_SD * gap).astype(np.float32), (5, 5))
    spread = np.maximum(around, LEAST_SPREAD).astype(np.float32, copy=False)
    apart = cv2.blur(often.astype(np.float32), (3, 3))
    hidden = (apart > OFTEN_SPREADS * spread).astype(np.uint8) * 255
    return Background(
        window=window,
        median=median.astype(np.float32),
        spread=spread,
        unsteady=cv2.dilate(hidden, np.ones((5, 5), np.uint8)).astype(np.uint8, copy=False),
        registration=registration if moving else None,
    )
