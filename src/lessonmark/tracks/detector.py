"""Find people in a frame: the pose network's own detector.

A single-shot detector on a 224 px square: per anchor a box, four key points (middle of the hips, a
point on the circle round the whole body, and the same two for the upper body) and a score. The
anchors' layout is the network's; Bazarevsky et al. 2020, arXiv 2006.10204, section 2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from lessonmark.tracks.network import Network
from lessonmark.tracks.weights import DETECTOR, weights_path

__all__ = ["Person", "PersonDetector", "Region"]

_SIDE = 224  # px, the network's input
_STRIDES_AND_ANCHORS = ((8, 2), (16, 2), (32, 6))  # px of a cell, anchors a cell
_SCORE_MIN = 0.5
_OVERLAP_MAX = 0.3  # intersection over union above which two boxes are one person
_HIPS_APART = 0.15  # of the crop's side: nearer hips belong to one person
_REGION_OVER_BODY = 1.25  # the landmark network was trained on crops this much wider than the body


@dataclass(frozen=True, kw_only=True)
class Region:
    """A rotated square in the frame that holds one person.

    Attributes
    ----------
    x, y : centre, px.
    side : px.
    angle : rad, clockwise on the screen; 0 when the body stands upright in the picture.
    """

    x: float
    y: float
    side: float
    angle: float

    @classmethod
    def round_body(cls, hips: npt.ArrayLike, rim: npt.ArrayLike) -> Region:
        """Build the square from the middle of the hips and a point on the body's circle, px."""
        (hip_x, hip_y), (rim_x, rim_y) = np.asarray(hips, float), np.asarray(rim, float)
        radius = math.hypot(rim_x - hip_x, rim_y - hip_y)
        # Upright: the rim point stands above the hips, at -90 degrees on the screen.
        angle = math.atan2(rim_y - hip_y, rim_x - hip_x) + math.pi / 2
        return cls(x=hip_x, y=hip_y, side=2 * radius * _REGION_OVER_BODY, angle=_wrap(angle))


@dataclass(frozen=True, kw_only=True)
class Person:
    """One detected person: the box of the face and shoulders, the region of the whole body."""

    score: float
    left: float
    top: float
    right: float
    bottom: float
    region: Region


class PersonDetector:
    """Find every person in a frame.

    Raises
    ------
    WeightsMissing : the detector's weights are not in the cache.
    """

    def __init__(self, *, threads: int = 1) -> None:
        self._network = Network(weights_path(DETECTOR), threads=threads)
        self._anchors = _anchor_centres()

    def find(self, image: npt.NDArray[np.uint8]) -> list[Person]:
        """Find the people in `image` (height, width, 3), RGB; best score first, may be none.

        The whole frame is looked at, and squares of half its length: the network's input is small,
        and somebody large outshouts a smaller golfer beside them.
        """
        height, width = image.shape[:2]
        people = self._find_in(image, (0, 0, width, height))
        side = min(max(height, width) // 2, height, width)
        for square in _squares(width, height, side):
            people += self._find_in(image, square)
        apart: list[Person] = []
        for person in sorted(people, key=lambda person: -person.score):
            if all(not _same(person, other) for other in apart):
                apart.append(person)
        return apart

    def _find_in(
        self, image: npt.NDArray[np.uint8], part: tuple[int, int, int, int]
    ) -> list[Person]:
        x0, y0, x1, y1 = part
        scale = _SIDE / max(y1 - y0, x1 - x0)
        small = cv2.resize(
            image[y0:y1, x0:x1],
            (round((x1 - x0) * scale), round((y1 - y0) * scale)),
            interpolation=cv2.INTER_AREA,
        )
        square = np.zeros((_SIDE, _SIDE, 3), np.uint8)
        top, left = (_SIDE - small.shape[0]) // 2, (_SIDE - small.shape[1]) // 2
        square[top : top + small.shape[0], left : left + small.shape[1]] = small
        boxes, logits = self._network.run(square[None].astype(np.float32) / 127.5 - 1.0)
        scores = 1 / (1 + np.exp(-np.clip(logits[0, :, 0].astype(float), -100, 100)))
        keep = np.flatnonzero(scores >= _SCORE_MIN)
        # Box centre, size and four points, all relative to the anchor, in input px.
        values = boxes[0, keep].reshape(len(keep), 6, 2).astype(float)
        values[:, [0, 2, 3, 4, 5]] += self._anchors[keep, None] * _SIDE
        values[:, [0, 2, 3, 4, 5]] -= (left, top)
        values /= scale
        values[:, [0, 2, 3, 4, 5]] += (x0, y0)
        return [
            Person(
                score=float(score),
                left=centre[0] - size[0] / 2,
                top=centre[1] - size[1] / 2,
                right=centre[0] + size[0] / 2,
                bottom=centre[1] + size[1] / 2,
                region=Region.round_body(hips, rim),
            )
            for score, (centre, size, hips, rim, *_) in zip(scores[keep], values, strict=True)
        ]


def _squares(width: int, height: int, side: int) -> list[tuple[int, int, int, int]]:
    """Cover the frame with squares that overlap by half at most: left, top, right, bottom."""

    def starts(length: int) -> list[int]:
        steps = max(1, math.ceil((length - side) / (side / 2)) + 1) if length > side else 1
        return [round(k * (length - side) / max(1, steps - 1)) for k in range(steps)]

    return [(x, y, x + side, y + side) for y in starts(height) for x in starts(width)]


def _same(one: Person, other: Person) -> bool:
    """Tell whether two detections are one person: boxes that overlap, or hips at one place."""
    near = math.hypot(one.region.x - other.region.x, one.region.y - other.region.y)
    return _overlap(one, other) >= _OVERLAP_MAX or near < _HIPS_APART * max(
        one.region.side, other.region.side
    )


def _anchor_centres() -> npt.NDArray[np.float64]:
    """Lay out the anchors' centres as fractions of the input: (2254, 2), x and y."""
    layers = []
    for stride, count in _STRIDES_AND_ANCHORS:
        cells = _SIDE // stride
        y, x = np.mgrid[0:cells, 0:cells]
        centres = np.stack([(x + 0.5) / cells, (y + 0.5) / cells], axis=-1).reshape(-1, 2)
        layers.append(np.repeat(centres, count, axis=0))
    return np.concatenate(layers)


def _overlap(a: Person, b: Person) -> float:
    wide = min(a.right, b.right) - max(a.left, b.left)
    high = min(a.bottom, b.bottom) - max(a.top, b.top)
    if wide <= 0 or high <= 0:
        return 0.0
    both = wide * high
    area_a = (a.right - a.left) * (a.bottom - a.top)
    area_b = (b.right - b.left) * (b.bottom - b.top)
    return float(both / (area_a + area_b - both))


def _wrap(angle: float) -> float:
    return (angle + math.pi) % (2 * math.pi) - math.pi
