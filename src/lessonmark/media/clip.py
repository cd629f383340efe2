"""What a clip is, and one frame of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

__all__ = ["ClipInfo", "Frame"]

Picture: TypeAlias = npt.NDArray[np.uint8]


@dataclass(frozen=True, kw_only=True)
class ClipInfo:
    """A readable clip; sizes are after its rotation flag was obeyed."""

    path: Path
    sha256: str  # of the file's bytes
    width: int  # px
    height: int  # px
    rotation_deg: int  # 0, 90, 180, 270: how far the picture was turned to stand upright
    codec: str  # 'h264', 'hevc', ...
    pixel_format: str  # 'yuv420p', 'yuv420p10le', ...
    duration_s: float  # real seconds, slow motion undone
    fps_container: float  # mean frames a second as the file plays
    fps_filmed: float  # mean frames a second as filmed
    fps_source: str  # 'declared', 'metadata' or 'container'
    variable_rate: bool
    has_sound: bool
    created: str | None  # ISO 8601 from the container, where it has one
    notes: tuple[str, ...] = ()  # warnings in plain words

    @property
    def slowdown(self) -> float:
        """Container seconds a real second: 1, or 8 for 240 frames a second played at 30."""
        return self.fps_filmed / self.fps_container


class Frame:
    """One decoded picture, upright.

    Most of a clip's pictures pass by unlooked at: an array is made of one where it is asked for,
    by whoever asks, and kept.

    Parameters
    ----------
    index : counted from 0 in presentation order.
    s : presentation time on the clip's own clock, real seconds.
    image : the picture, or what makes it; called once, at the most.
    """

    def __init__(self, *, index: int, s: float, image: Picture | Callable[[], Picture]) -> None:
        self.index = index
        self.s = s
        self._image = image

    @property
    def image(self) -> Picture:
        """(height, width, 3) RGB, or (height, width) where grey was asked."""
        if callable(self._image):
            self._image = self._image()  # and lets go of the decoder's own picture
        return self._image
