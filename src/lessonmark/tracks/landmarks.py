"""Landmarks of one person in one crop: places, their spread, and the region for the next frame.

The network reads a 256 px square and gives, for each of 39 points, a regressed place with a
visibility, and a 64x64 heatmap. The heatmap holds more than its peak: its centre of mass round the
peak gives the place to a fraction of a cell, its second moment says how sure the network is and in
which direction it is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from lessonmark.tracks.detector import Region
from lessonmark.tracks.network import Network
from lessonmark.tracks.schema import BODY_KEYPOINTS
from lessonmark.tracks.weights import FULL, HEAVY, weights_path

__all__ = ["LandmarkNetwork", "Landmarks"]

_SIDE = 256  # px, the network's input
_CELLS = 64  # the heatmap's side
_POINTS = 39  # 33 of the body, 2 that give the next region, 4 that are not used
_BODY = len(BODY_KEYPOINTS)
_WINDOW = 7  # cells, the neighbourhood of a peak
_PEAK_MIN = 0.2  # below this the heatmap does not know, and the regressed place is taken
_UNSURE_CELLS = 3.0  # cells, spread given to a point whose heatmap does not know
_PRESENCE = 1  # outputs in file order: points, presence, mask, heatmaps, world points
_HEATMAPS = 3


@dataclass(frozen=True, kw_only=True)
class Landmarks:
    """One person in one frame."""

    position: npt.NDArray[np.float64]  # (33, 2) px of the frame
    spread: npt.NDArray[np.float64]  # (33, 2, 2) px^2, second moment of the heatmap's peak
    visibility: npt.NDArray[np.float64]  # (33,) 0 to 1
    depth: npt.NDArray[np.float64]  # (33,) px, toward the camera negative, hips at 0; rough
    presence: float  # 0 to 1: is there a person in the crop at all
    region: Region  # where to look in the next frame


class LandmarkNetwork:
    """The landmark network, 'full' or 'heavy'.

    Raises
    ------
    WeightsMissing : its weights are not in the cache.
    """

    def __init__(self, *, heavy: bool = False, threads: int = 1) -> None:
        self._network = Network(weights_path(HEAVY if heavy else FULL), threads=threads)

    def locate(self, image: npt.NDArray[np.uint8], region: Region) -> Landmarks:
        """Locate the person inside `region` of `image` (height, width, 3), RGB."""
        to_crop, to_frame = _maps(region)
        crop = _cut(image, to_crop, region.side)
        outputs = self._network.run(crop[None].astype(np.float32) * np.float32(1 / 255))
        points = outputs[0].reshape(_POINTS, 5).astype(np.float64)
        place, spread = _read_heatmaps(outputs[_HEATMAPS][0], points[:, :2])
        turn = to_frame[:, :2]
        scale = region.side / _SIDE
        in_frame = place @ turn.T + to_frame[:, 2]
        return Landmarks(
            position=in_frame[:_BODY],
            spread=turn @ spread[:_BODY] @ turn.T,
            visibility=_sigmoid(np.minimum(points[:_BODY, 3], points[:_BODY, 4])),
            depth=points[:_BODY, 2] * scale,
            presence=float(outputs[_PRESENCE].ravel()[0]),
            region=Region.round_body(in_frame[_BODY], in_frame[_BODY + 1]),
        )


def _maps(region: Region) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Give the 2x3 maps frame to crop and crop to frame, in px with corners at whole numbers."""
    scale = region.side / _SIDE
    cos, sin = np.cos(region.angle) * scale, np.sin(region.angle) * scale
    turn = np.array([[cos, -sin], [sin, cos]])
    shift = np.array([region.x, region.y]) - turn @ np.full(2, _SIDE / 2)
    to_frame = np.column_stack([turn, shift])
    back = np.linalg.inv(turn)
    return np.column_stack([back, -back @ shift]), to_frame


def _cut(
    image: npt.NDArray[np.uint8], to_crop: npt.NDArray[np.float64], side: float
) -> npt.NDArray[np.uint8]:
    shrink = max(1, int(side / _SIDE / 1.5))  # average first, so that fine detail does not alias
    if shrink > 1:
        height, width = image.shape[0] // shrink, image.shape[1] // shrink
        image = cv2.resize(  # type: ignore[assignment]
            image[: height * shrink, : width * shrink],
            (width, height),
            interpolation=cv2.INTER_AREA,
        )
    # OpenCV counts from pixel centres, the maps from corners: half a pixel on either side.
    turn = to_crop[:, :2] * shrink
    shift = turn @ np.full(2, 0.5) + to_crop[:, 2] - 0.5
    return cv2.warpAffine(  # type: ignore[return-value]
        image, np.column_stack([turn, shift]), (_SIDE, _SIDE), flags=cv2.INTER_LINEAR
    )


def _read_heatmaps(
    logits: npt.NDArray[np.float32], regressed: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Read places (39, 2) and spreads (39, 2, 2) in crop px from heatmaps (64, 64, 39)."""
    cell = _SIDE / _CELLS
    half = _WINDOW // 2
    # Search the peak near the regressed place, as the network was trained to be read.
    middle = np.clip((regressed / cell).astype(int), half, _CELLS - 1 - half)
    steps = np.arange(-half, half + 1)
    rows = middle[:, 1, None] + steps
    columns = middle[:, 0, None] + steps
    window = _sigmoid(
        logits[rows[:, :, None], columns[:, None, :], np.arange(_POINTS)[:, None, None]]
    )
    peak = window.max(axis=(1, 2))
    weight = window / window.sum(axis=(1, 2), keepdims=True)
    x = columns + 0.5
    y = rows + 0.5
    mean_x = np.einsum("krc,kc->k", weight, x)
    mean_y = np.einsum("krc,kr->k", weight, y)
    off_x, off_y = x - mean_x[:, None], y - mean_y[:, None]
    spread = np.empty((_POINTS, 2, 2))
    spread[:, 0, 0] = np.einsum("krc,kc->k", weight, off_x**2)
    spread[:, 1, 1] = np.einsum("krc,kr->k", weight, off_y**2)
    spread[:, 0, 1] = spread[:, 1, 0] = np.einsum("krc,kr,kc->k", weight, off_y, off_x)
    knows = peak >= _PEAK_MIN
    place = np.where(knows[:, None], np.column_stack([mean_x, mean_y]) * cell, regressed)
    spread = np.where(knows[:, None, None], spread, np.eye(2) * _UNSURE_CELLS**2) * cell**2
    return place, spread


def _sigmoid(x: npt.NDArray[np.floating]) -> npt.NDArray[np.float64]:
    odds: npt.NDArray[np.float64] = np.exp(-np.clip(x, -60, 60).astype(np.float64))
    return 1.0 / (1.0 + odds)
