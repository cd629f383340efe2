"""Stream a clip's pictures, upright, each with its own time stamp; never the whole clip at once."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from typing import TypeAlias

import av.container
import av.error
import av.video.frame
import av.video.stream
import cv2
import numpy as np
import numpy.typing as npt
from av.video.reformatter import VideoReformatter

from lessonmark.errors import UnreadableClip
from lessonmark.language import say
from lessonmark.media.clip import ClipInfo, Frame
from lessonmark.media.container import open_clip, origin_s, picture_stream, refuse
from lessonmark.media.orientation import Orientation, orientation_of
from lessonmark.media.planes import luma, turn_planes
from lessonmark.media.timing import read_frame_times

__all__ = ["read_frame_nearest", "read_frames"]

Image: TypeAlias = npt.NDArray[np.uint8]

MOST_DECODING_THREADS = 4  # each one more holds one more picture: 12 MB at 4K


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
    raise _broken(clip, at)


def _read(
    clip: ClipInfo,
    start_s: float | None,
    stop_s: float | None,
    grey: bool,
    every: int,
    max_height: int | None,
) -> Iterator[Frame]:
    times = read_frame_times(clip.path)
    half_tick = times.tick_s / 2
    first = -math.inf if start_s is None else start_s * clip.slowdown - half_tick
    last = math.inf if stop_s is None else stop_s * clip.slowdown + half_tick
    with open_clip(clip.path) as container:
        stream = picture_stream(container, clip.path)
        zero = origin_s(container)
        stream.thread_type = "AUTO"
        stream.codec_context.thread_count = min(MOST_DECODING_THREADS, os.cpu_count() or 1)
        if first > times.s[0]:
            container.seek(int((first + zero) / times.tick_s), stream=stream, backward=True)
        picture = _Picture(clip, grey=grey, max_height=max_height)
        good_s = float(times.s[0])
        for decoded in _decode(container, stream, clip, good_s):
            stamp = decoded.pts if decoded.pts is not None else decoded.dts
            if stamp is None:
                continue
            at = stamp * times.tick_s - zero
            if at < first:
                continue
            if at > last:
                return
            index = int(np.abs(times.s - at).argmin())
            if decoded.is_corrupt:
                raise _broken(clip, at / clip.slowdown)
            good_s = at
            if index % every == 0:
                image = picture.of(decoded, stream)
                yield Frame(index=index, s=at / clip.slowdown, image=image)
        if times.cut_short:
            raise _broken(clip, good_s / clip.slowdown)


def _decode(
    container: av.container.InputContainer,
    stream: av.video.stream.VideoStream,
    clip: ClipInfo,
    good_s: float,
) -> Iterator[av.video.frame.VideoFrame]:
    """Decode packet by packet; what the decoder cannot read becomes an error with its second."""
    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets, None)
            if packet is None:
                return
            if packet.is_corrupt:  # the file ends inside it
                continue
            frames = packet.decode()
        except (av.error.FFmpegError, ValueError) as err:
            raise _broken(clip, good_s / clip.slowdown) from err
        for frame in frames:
            if frame.time is not None:
                good_s = frame.time
            yield frame


def _broken(clip: ClipInfo, second: float) -> UnreadableClip:
    return refuse(
        clip.path,
        say("the video breaks off or is damaged here"),
        say("copy it from the phone again; the other clips of this lesson were kept"),
        second=second,
    )


class _Picture:
    """Turns decoded frames into arrays, with one converter for the whole clip."""

    def __init__(self, clip: ClipInfo, *, grey: bool, max_height: int | None) -> None:
        self._clip = clip
        self._grey = grey
        self._shrink = max_height is not None and max_height < clip.height
        height = max_height if max_height is not None and self._shrink else clip.height
        self._size = (max(1, round(clip.width * height / clip.height)), height)
        self._converter = VideoReformatter()
        self._orientation: Orientation | None = None

    def of(self, frame: av.video.frame.VideoFrame, stream: av.video.stream.VideoStream) -> Image:
        if self._orientation is None:
            self._orientation = orientation_of(frame, stream)
        turned = self._orientation.swaps_sides
        width, height = self._size[::-1] if turned else self._size
        if self._grey:
            image = luma(frame, self._converter)
            if image.shape != (height, width):
                image = np.asarray(
                    cv2.resize(image, (width, height), interpolation=cv2.INTER_AREA), np.uint8
                )
        else:
            upright = turn_planes(frame, self._orientation)
            if upright is not None:
                frame, (width, height) = upright, self._size
            # One thread: the conversion takes 0.3 ms at 720p, and the other core tracks.
            rgb = self._converter.reformat(
                frame, width=width, height=height, format="rgb24", threads=1
            )
            image = np.asarray(rgb.to_ndarray(), np.uint8)
            if upright is not None:
                return image
        return self._orientation.apply(image)
