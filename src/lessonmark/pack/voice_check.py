"""Look at a recording before it is kept: that it is sound, what kind of file, how long."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import av
import av.error
import numpy as np

from lessonmark.errors import PackError
from lessonmark.language import say

__all__ = ["LONGEST_S", "CheckedVoice", "check_voice"]

LONGEST_S = 600.0  # one passage; nobody listens longer
_SHORTEST_S = 0.2
_FORMATS = {"matroska,webm": ".webm", "ogg": ".ogg", "mov,mp4,m4a,3gp,3g2,mj2": ".mp4"}
_CODECS = frozenset({"opus", "vorbis", "aac"})  # what browsers record in
_HEARD = 0.01  # of full scale, -40 dBFS: a voice at arm's length is far above


@dataclass(frozen=True, kw_only=True)
class CheckedVoice:
    """A recording that can be used."""

    suffix: str  # by what is inside, not by what it was called
    duration_s: float
    heard: bool  # False: hardly more than silence


def check_voice(path: Path) -> CheckedVoice:
    """Decode a recording to its end, without holding it.

    Raises
    ------
    PackError : no sound in it, pictures in it, or too short or long.
    """
    peak, first, last = 0.0, None, 0.0
    try:
        with av.open(f"file:{path}", options={"protocol_whitelist": "file"}) as container:
            suffix = _FORMATS.get(container.format.name)
            sounds = container.streams.audio
            if suffix is None or len(sounds) != 1 or len(container.streams) != 1:
                raise _unusable()
            if sounds[0].codec_context.name.removeprefix("lib") not in _CODECS:
                raise _unusable()
            for frame in container.decode(audio=0):
                at = float(frame.time or 0.0)
                first = at if first is None else first
                last = at + frame.samples / frame.sample_rate
                if last - first > LONGEST_S + 1.0:
                    raise PackError(
                        say("this passage is longer than {n} minutes", n=round(LONGEST_S / 60)),
                        do=say("say it in several passages"),
                    )
                peak = max(peak, float(np.abs(frame.to_ndarray().astype(np.float32)).max()))
    except (OSError, ValueError, av.error.FFmpegError) as err:
        raise _unusable() from err
    if first is None or last - first < _SHORTEST_S:
        raise PackError(
            say("nothing was recorded"), do=say("press Record, wait for the clock, and speak")
        )
    return CheckedVoice(suffix=suffix, duration_s=last - first, heard=peak > _HEARD)


def _unusable() -> PackError:
    return PackError(
        say("this is no recording that can be used"),
        do=say("record the passage again; the other passages were kept"),
    )
