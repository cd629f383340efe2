"""Decode a clip's pictures one by one, each with its index and its time on the clip's clock."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from dataclasses import dataclass

import av.container
import av.error
import av.video.frame
import av.video.stream
import numpy as np

from lessonmark.errors import UnreadableClip
from lessonmark.language import say
from lessonmark.media.clip import ClipInfo
from lessonmark.media.container import open_clip, origin_s, picture_stream, refuse
from lessonmark.media.memory import keep_freed_pictures
from lessonmark.media.orientation import Orientation, orientation_of
from lessonmark.media.timing import read_frame_times

__all__ = ["Decoded", "broken_off", "decode_frames"]

MOST_DECODING_THREADS = 4  # each one more holds one more picture: 12 MB at 4K
SEEKABLE = ("mp4", "matroska")  # formats whose index leads to a picture at or before the one asked


@dataclass(frozen=True, kw_only=True)
class Decoded:
    """A picture as the decoder gave it: not yet upright, not yet RGB."""

    index: int  # counted from the clip's first picture
    s: float  # on the clip's clock, real seconds
    frame: av.video.frame.VideoFrame
    orientation: Orientation


def decode_frames(
    clip: ClipInfo, *, start_s: float | None = None, stop_s: float | None = None
) -> Iterator[Decoded]:
    """Stream a clip's pictures from `start_s` to `stop_s`, both kept, in the order of showing.

    Raises
    ------
    UnreadableClip : after the last good picture, with its second, where the file breaks off.
    """
    keep_freed_pictures()
    times = read_frame_times(clip.path)
    half_tick = times.tick_s / 2
    first = -math.inf if start_s is None else start_s * clip.slowdown - half_tick
    last = math.inf if stop_s is None else stop_s * clip.slowdown + half_tick
    with open_clip(clip.path) as container:
        stream = picture_stream(container, clip.path)
        zero = origin_s(container)
        stream.thread_type = "AUTO"
        stream.codec_context.thread_count = min(MOST_DECODING_THREADS, _cores())
        if first > times.s[0] and any(name in container.format.name for name in SEEKABLE):
            container.seek(int((first + zero) / times.tick_s), stream=stream, backward=True)
        orientation: Orientation | None = None
        good_s = float(times.s[0])
        for frame in _decode(container, stream, clip, good_s):
            stamp = frame.pts if frame.pts is not None else frame.dts
            if stamp is None:
                continue
            at = stamp * times.tick_s - zero
            if at < first:
                continue
            if at > last:
                return
            if frame.is_corrupt:
                raise broken_off(clip, at / clip.slowdown)
            good_s = at
            orientation = orientation or orientation_of(frame, stream)
            index = int(np.abs(times.s - at).argmin())
            yield Decoded(index=index, s=at / clip.slowdown, frame=frame, orientation=orientation)
        if times.cut_short:
            raise broken_off(clip, good_s / clip.slowdown)


def _cores() -> int:
    """Count the cores that this process may use: threads without one of their own only cost."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


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
            raise broken_off(clip, good_s / clip.slowdown) from err
        for frame in frames:
            if frame.time is not None:
                good_s = frame.time
            yield frame


def broken_off(clip: ClipInfo, second: float) -> UnreadableClip:
    """Make the error for a video that stops being readable at `second`, real seconds."""
    return refuse(
        clip.path,
        say("the video breaks off or is damaged here"),
        say("copy it from the phone again; the other clips of this lesson were kept"),
        second=second,
    )
