"""When each picture of a clip is shown, read from the container without decoding."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import av.container
import av.video.stream
import numpy as np
import numpy.typing as npt

from lessonmark.language import say
from lessonmark.media.container import open_clip, origin_s, picture_stream, refuse

__all__ = ["FrameTimes", "read_frame_times"]

PICTURES_MAX = 300_000  # 20 minutes at 240 frames a second
UNEVEN_SHARE = 0.5  # of a frame; what a time stamp may stray from an even beat beyond rounding


@dataclass(frozen=True, kw_only=True)
class FrameTimes:
    """Presentation times of a clip's pictures, on the container's clock."""

    s: npt.NDArray[np.float64]  # container seconds, ascending, 0 where the clip's clock is 0
    tick_s: float  # the container's unit of time
    cut_short: bool  # the index promises more pictures than the file holds

    @property
    def step_s(self) -> float:
        """Mean time from picture to picture."""
        return float(self.s[-1] - self.s[0]) / (len(self.s) - 1)

    @property
    def is_variable(self) -> bool:
        """Whether the pictures keep no even beat.

        Judged by how far they stray from evenly spaced ones, not by the single steps: containers
        that count in 600ths round a step of 1/240 s to 2 or 3 ticks.
        """
        even = self.s[0] + self.step_s * np.arange(len(self.s))
        strays = np.abs(self.s - even).max()
        return bool(strays > UNEVEN_SHARE * self.step_s + self.tick_s)


def read_frame_times(path: Path) -> FrameTimes:
    """Read the time stamps of every picture that the clip shows.

    Raises
    ------
    UnreadableClip : the file cannot be opened, holds no moving picture, or hours of them.
    """
    about = path.stat() if path.exists() else None
    return _read(path, about.st_mtime_ns if about else 0, about.st_size if about else 0)


@lru_cache(maxsize=16)  # a viewer that steps through a clip asks again and again
def _read(path: Path, changed_ns: int, size: int) -> FrameTimes:
    with open_clip(path) as container:
        stream = picture_stream(container, path)
        zero = origin_s(container)
        shown: list[int] = []
        held = 0
        broken = False
        for packet in container.demux(stream):
            stamp = packet.pts if packet.pts is not None else packet.dts
            if packet.size == 0 or stamp is None:  # the flush at the end
                continue
            if packet.is_corrupt:
                broken = True
                continue
            held += 1
            if not packet.is_discard:
                shown.append(stamp)
            if held > PICTURES_MAX:
                raise refuse(
                    path,
                    say("the video is far longer than a lesson's clip"),
                    say("cut it to the swing"),
                )
        promised = _promised(container, stream)
        tick = float(stream.time_base) if stream.time_base else 0.0
    seconds = np.unique(np.asarray(shown, dtype=np.float64)) * tick - zero
    seconds.flags.writeable = False
    return FrameTimes(s=seconds, tick_s=tick, cut_short=broken or held < promised)


def _promised(container: av.container.InputContainer, stream: av.video.stream.VideoStream) -> int:
    """Count the pictures that the index lists; 0 where the format's index lists not all of them."""
    return len(stream.index_entries) if "mp4" in container.format.name else 0
