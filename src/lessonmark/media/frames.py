"""Stream a clip's pictures, upright, each with its own time stamp; never the whole clip at once."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TypeAlias

import av.video.frame
import cv2
import numpy as np
import numpy.typing as npt
from av.video.reformatter import VideoReformatter

from lessonmark.media.clip import ClipInfo, Frame
from lessonmark.media.decode import broken_off, decode_frames
from lessonmark.media.orientation import Orientation
from lessonmark.media.planes import eight_bits, luma, turn_planes
from lessonmark.media.timing import read_frame_times

__all__ = ["read_frame_nearest", "read_frames"]

Image: TypeAlias = npt.NDArray[np.uint8]


def read_frames(
    clip: ClipInfo,
    *,
    start_s: float | None = None,
    stop_s: float | None = None,
    grey: bool = False,
    every: int = 1,
    max_height: int | None = None,
) -> Iterator[Frame]:
    """Stream a clip's pictures in the order in which they are shown.

    Parameters
    ----------
    clip : what `probe_clip` said of the file.
    start_s, stop_s : first and last moment wanted on the clip's clock, real seconds, both kept;
        None for the clip's ends.
    grey : give luma alone, 0 black to 255 white, taken from the decoder without a detour by RGB.
    every : give each n-th picture of the clip (those whose index divides by it).
    max_height : shrink higher pictures to this many px, keeping their shape.

    Yields
    ------
    Frame, `index` counted from the clip's first picture wherever the reading starts. The image
    is the caller's own.

    Raises
    ------
    ValueError : `every` or `max_height` below 1.
    UnreadableClip : after the last good picture, with its second, where the file breaks off.
    """
    if every < 1 or (max_height is not None and max_height < 1):
        raise ValueError(f"every and max_height count from 1, got {every} and {max_height}")
    return _read(clip, start_s, stop_s, grey, every, max_height)


def read_frame_nearest(clip: ClipInfo, s: float, *, grey: bool = False) -> Frame:
    """Read the one picture whose time stamp lies nearest to `s`, real seconds.

    Raises
    ------
    UnreadableClip : the picture cannot be decoded.
    """
    shown = read_frame_times(clip.path).s / clip.slowdown
    at = float(shown[int(np.abs(shown - s).argmin())])
    for frame in read_frames(clip, start_s=at, stop_s=at, grey=grey):
        return frame
    raise broken_off(clip, at)


def _read(
    clip: ClipInfo,
    start_s: float | None,
    stop_s: float | None,
    grey: bool,
    every: int,
    max_height: int | None,
) -> Iterator[Frame]:
    picture = _Picture(clip, grey=grey, max_height=max_height)
    for decoded in decode_frames(clip, start_s=start_s, stop_s=stop_s):
        if decoded.index % every == 0:
            image = partial(picture.of, decoded.frame, decoded.orientation)
            yield Frame(index=decoded.index, s=decoded.s, image=image)


class _Picture:
    """Turns decoded frames into arrays, with one converter for the whole clip."""

    def __init__(self, clip: ClipInfo, *, grey: bool, max_height: int | None) -> None:
        self._clip = clip
        self._grey = grey
        self._shrink = max_height is not None and max_height < clip.height
        height = max_height if max_height is not None and self._shrink else clip.height
        self._size = (max(1, round(clip.width * height / clip.height)), height)
        self._converter = VideoReformatter()

    def of(self, frame: av.video.frame.VideoFrame, orientation: Orientation) -> Image:
        turned = orientation.swaps_sides
        width, height = self._size[::-1] if turned else self._size
        if self._grey:
            image = luma(frame, self._converter)
            if image.shape != (height, width):
                image = np.asarray(
                    cv2.resize(image, (width, height), interpolation=cv2.INTER_AREA), np.uint8
                )
        else:
            frame = eight_bits(frame)
            upright = turn_planes(frame, orientation)
            if upright is not None:
                frame, (width, height) = upright, self._size
            # One thread: the conversion takes 0.3 ms at 720p, and the other core tracks.
            rgb = self._converter.reformat(
                frame, width=width, height=height, format="rgb24", threads=1
            )
            image = np.asarray(rgb.to_ndarray(), np.uint8)
            if upright is not None:
                return image
        return orientation.apply(image)
