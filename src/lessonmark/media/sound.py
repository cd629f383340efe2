"""A clip's sound as one channel on the clip's own clock."""

from __future__ import annotations

from dataclasses import dataclass

import av.audio.frame
import av.error
import numpy as np
import numpy.typing as npt
from av.audio.resampler import AudioResampler

from lessonmark.media.clip import ClipInfo
from lessonmark.media.container import open_clip, origin_s

__all__ = ["Sound", "read_sound"]

GAP_S = 0.002  # container time; a smaller hole or overlap is a time stamp's rounding


@dataclass(frozen=True, kw_only=True)
class Sound:
    """Sound on the clip's clock: sample i was heard at `start_s + i / rate_hz`."""

    samples: npt.NDArray[np.float32]  # (n,), mean of the channels, full scale 1
    rate_hz: float  # samples a real second: above the file's own rate where it was slowed
    start_s: float  # real seconds on the clip's clock; below 0 where sound starts before it
    slowdown: float  # 1, or how much slower than life the file plays its sound

    @property
    def stop_s(self) -> float:
        """The moment after the last sample, real seconds."""
        return self.start_s + len(self.samples) / self.rate_hz


def read_sound(clip: ClipInfo) -> Sound | None:
    """Read a clip's whole sound; 11 MB a minute at 48 kHz.

    Holes in the recording are filled with silence so that later sounds keep their time. Sound
    that breaks off or cannot be decoded ends where it does: the pictures may still be measured.

    Returns
    -------
    None where the file has no sound.

    Raises
    ------
    UnreadableClip : the file cannot be opened.
    """
    with open_clip(clip.path) as container:
        if not container.streams.audio:
            return None
        stream = container.streams.audio[0]
        if stream.codec_context is None:
            return None
        zero = origin_s(container)
        pieces: list[npt.NDArray[np.float32]] = []
        start: float | None = None
        rate = 0
        held = 0
        to_float = AudioResampler(format="fltp")
        try:
            for frame in container.decode(stream):
                if frame.pts is None or frame.time_base is None:
                    continue
                at = float(frame.pts * frame.time_base) - zero
                if start is None:
                    start, rate = at, frame.sample_rate
                if frame.sample_rate != rate:  # a recording that changes its rate: keep the first
                    break
                for piece in to_float.resample(frame):
                    mono = piece.to_ndarray().mean(axis=0, dtype=np.float32)
                    hole = round((at - start) * rate) - held
                    if abs(hole) > GAP_S * rate:
                        if hole > 0:
                            pieces.append(np.zeros(hole, np.float32))
                        else:
                            mono = mono[-hole:]
                        held += max(hole, 0)
                    pieces.append(mono)
                    held += len(mono)
        except (av.error.FFmpegError, ValueError):
            pass  # what came before the damage is kept; there may be nothing
    if start is None or not held:
        return None
    return Sound(
        samples=np.concatenate(pieces),
        rate_hz=rate * clip.slowdown,
        start_s=start / clip.slowdown,
        slowdown=clip.slowdown,
    )
