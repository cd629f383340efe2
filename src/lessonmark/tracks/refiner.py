"""Joints' centres from the picture itself: a small network beside the pose network.

The pose network's landmarks lie off the joints, and `anatomy` can only guess by how much, since it
reads the landmarks alone. This network looks at the pixels round the player and gives the centres
with their errors, and how much farther from the camera than the hips each one lies. It was trained
on rendered golfers only (`bench/render/crops.py`, `refine.py`): it is believed as one of two
sights, never alone (`refined.py`, `measures.facing`).
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["REFINED", "JointRefiner", "RefinedLook"]

Array = npt.NDArray[np.float64]

_FILE = "joint_refiner.onnx"
_SIDE = 256  # px, the network's input
_UNIT_PX = 64.0  # px of it a body size (`anatomy.body_size`)
_CELLS = 32
_MEAN, _SD = 0.5, 0.25  # of the input, as trained
# The order in which it was trained; its golfers play right-handed.
_PARTS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "eye", "ear")
REFINED = tuple(f"{side}_{part}" for part in _PARTS for side in ("left", "right"))
_OTHER_SIDE = [i ^ 1 for i in range(len(REFINED))]
_MAPS = len(REFINED) + 1  # the nose comes last and is not used


@dataclass(frozen=True, kw_only=True)
class RefinedLook:
    """The joints' centres in one frame, in the order of `REFINED`."""

    position: Array  # (16, 2) px of the frame
    se: Array  # (16,) px, of each coordinate, as the network says
    deeper: Array  # (16,) px that it lies farther from the camera than the hips, along their ray


class JointRefiner:
    """The network, ready for any number of frames."""

    def __init__(self) -> None:
        weights = resources.files("lessonmark.tracks").joinpath(_FILE).read_bytes()
        self._network = cv2.dnn.readNetFromONNX(np.frombuffer(weights, np.uint8))
        middles = (np.arange(_CELLS) + 0.5) * (_SIDE / _CELLS)
        across, down = np.meshgrid(middles, middles)
        self._cells = np.column_stack([across.ravel(), down.ravel()])

    def look(
        self,
        image: npt.NDArray[np.uint8],
        *,
        middle: Array,
        size_px: float,
        mirrored: bool,
    ) -> RefinedLook:
        """Find the joints' centres in a frame.

        Parameters
        ----------
        image : (height, width, 3) RGB.
        middle : (2,) px, the middle of the hips; good to a third of a body size.
        size_px : the body's size in the picture (`anatomy.body_size`), good to a seventh.
        mirrored : the player swings as a left-hander: looked at in a mirror.
        """
        scale = _UNIT_PX / size_px
        shift = np.full(2, _SIDE / 2) - scale * middle
        # OpenCV counts from pixel centres, positions from corners: half a pixel on either side.
        move = np.column_stack([scale * np.eye(2), shift + 0.5 * scale - 0.5])
        crop = cv2.warpAffine(
            image,
            move,
            (_SIDE, _SIDE),
            flags=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        if mirrored:
            crop = crop[:, ::-1]
        ready = (crop.astype(np.float32) / 255 - _MEAN) / _SD
        self._network.setInput(np.ascontiguousarray(ready.transpose(2, 0, 1)[None]))
        maps = np.asarray(self._network.forward(), np.float64).reshape(4, _MAPS, -1)[:, :-1]
        # The mean of a map's softmax: integral regression (Sun et al. 2018, from memory).
        weight = np.exp(maps[0] - maps[0].max(axis=1, keepdims=True))
        weight /= weight.sum(axis=1, keepdims=True)
        place = weight @ self._cells
        # The fourth map, the depth's own error, is for the training: `measures.facing` has a table.
        log_se, deeper = (weight * maps[1:3]).sum(axis=2)
        if mirrored:
            place[:, 0] = _SIDE - place[:, 0]
            place, log_se, deeper = (one[_OTHER_SIDE] for one in (place, log_se, deeper))
        return RefinedLook(
            position=(place - shift) / scale,
            se=np.exp(log_se) * size_px,
            deeper=deeper * size_px,
        )
