"""Tell whether anything in the golfer's crop moved since the network last looked."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from lessonmark.tracks.detector import Region

__all__ = ["Stillness"]

_MAX_GAP = 4  # frames: at least every fourth is looked at, however still it is
_THUMB = 96  # px, side of the small picture in which movement is looked for
_MOVED = 6.0  # times the noise: a cell that changed by more has moved
_QUANTUM = 0.25  # grey levels, the least noise that a thumb of whole numbers can show


class Stillness:
    """Compare each frame with the last one that was looked at, in small.

    A median cell shows background, so its change tells the noise of this camera in this light; the
    most changed cells tell whether the player or the club moved.
    """

    def __init__(self) -> None:
        self._last: npt.NDArray[np.float32] | None = None
        self._gap = 0

    def holds(self, image: npt.NDArray[np.uint8], region: Region) -> bool:
        """Tell whether this frame may be left out; `image` is (height, width, 3), RGB."""
        thumb = _thumb(image, region)
        if self._last is not None and self._gap < _MAX_GAP - 1:
            change = np.abs(thumb - self._last)
            noise = float(np.median(change)) + _QUANTUM
            if float(np.percentile(change, 99.5)) <= _MOVED * noise:
                self._gap += 1
                return True
        self._last, self._gap = thumb, 0
        return False


def _thumb(image: npt.NDArray[np.uint8], region: Region) -> npt.NDArray[np.float32]:
    half = region.side * 0.6
    height, width = image.shape[:2]
    top, bottom = max(0, int(region.y - half)), min(height, int(region.y + half))
    left, right = max(0, int(region.x - half)), min(width, int(region.x + half))
    if bottom - top < 2 or right - left < 2:
        return np.zeros((_THUMB, _THUMB), np.float32)
    green = np.ascontiguousarray(image[top:bottom, left:right, 1])
    return cv2.resize(green, (_THUMB, _THUMB), interpolation=cv2.INTER_AREA).astype(np.float32)
