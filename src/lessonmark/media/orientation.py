"""Which way up a clip is: its display matrix, undone."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Any, TypeVar

import av.video.frame
import av.video.stream
import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["UPRIGHT", "Orientation", "orientation_of"]

Sample = TypeVar("Sample", bound=np.integer[Any])

_TURN = {1: cv2.ROTATE_90_CLOCKWISE, 2: cv2.ROTATE_180, 3: cv2.ROTATE_90_COUNTERCLOCKWISE}


@dataclass(frozen=True, kw_only=True)
class Orientation:
    """What must be done to a stored picture so that it stands upright: mirror it, then turn it."""

    quarter_turns: int  # clockwise, 0 to 3
    mirrored: bool  # left and right exchanged before the turn

    @classmethod
    def from_matrix(cls, matrix: bytes) -> Orientation:
        """Read a display matrix of nine 32-bit integers in the machine's byte order.

        It maps a stored point (x, y), y down, to (a x + c y, b x + d y), with a, b, c, d its
        values 0, 1, 3, 4 in 16.16 fixed point (ISO/IEC 14496-12, 6.2.2). Turns that are no
        multiple of 90 degrees go to the nearest one.
        """
        values = struct.unpack("=9i", matrix[:36])
        a, b, c, d = values[0], values[1], values[3], values[4]
        if a * d == b * c:  # flattens the picture: no orientation at all
            return UPRIGHT
        turns = round(math.degrees(math.atan2(-c, d)) / 90) % 4
        return cls(quarter_turns=turns, mirrored=a * d - b * c < 0)

    @property
    def degrees(self) -> int:
        """Clockwise turn, 0, 90, 180 or 270."""
        return 90 * self.quarter_turns

    @property
    def swaps_sides(self) -> bool:
        """Whether width and height change places."""
        return self.quarter_turns % 2 == 1

    def apply(self, image: npt.NDArray[Sample]) -> npt.NDArray[Sample]:
        """Stand a stored picture (height, width[, 3]) upright; itself if it already is."""
        if self.mirrored:
            image = np.asarray(cv2.flip(image, 1), image.dtype)
        if self.quarter_turns:
            image = np.asarray(cv2.rotate(image, _TURN[self.quarter_turns]), image.dtype)
        return image


UPRIGHT = Orientation(quarter_turns=0, mirrored=False)


def orientation_of(
    frame: av.video.frame.VideoFrame, stream: av.video.stream.VideoStream
) -> Orientation:
    """Find how to stand a decoded frame upright.

    The display matrix that came with the frame rules; without one, the `rotate` tag that older
    recorders wrote (degrees clockwise; common practice, no source).
    """
    matrix = frame.side_data.get("DISPLAYMATRIX")
    if matrix is not None:
        return Orientation.from_matrix(np.asarray(matrix).tobytes())
    tag = stream.metadata.get("rotate") or stream.metadata.get("ROTATE")
    try:
        turns = round(float(tag) / 90) % 4 if tag else 0
    except ValueError:
        return UPRIGHT
    return Orientation(quarter_turns=turns, mirrored=False)
