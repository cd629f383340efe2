"""Level a voice to EBU R 128 by FFmpeg's own filters, and measure what came out.

References
----------
EBU R 128 (2023), 'Loudness normalisation and permitted maximum level of audio signals': programme
loudness -23 LUFS, true peak at most -1 dBTP. ITU-R BS.1770-5 is the measurement.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import chain
from pathlib import Path

import av
import av.error
import numpy as np
import numpy.typing as npt
from av.audio.frame import AudioFrame
from av.audio.resampler import AudioResampler
from av.filter import Graph

from lessonmark.errors import PackError
from lessonmark.language import say

__all__ = [
    "RATE_HZ",
    "TARGET_LUFS",
    "TRUE_PEAK_DBTP",
    "level_voice",
    "measure_loudness_lufs",
    "read_voice",
    "trim_to_target",
]

RATE_HZ = 48000
TARGET_LUFS = -23.0  # EBU R 128
TRUE_PEAK_DBTP = -1.5  # R 128 allows -1; AAC adds a little
_RANGE_LU = 7.0  # speech: quiet endings stay audible on a phone
_BLOCK = 4800  # 0.1 s, the step of the standard's momentary loudness
_HOLE = RATE_HZ // 50  # 20 ms, an Opus packet; less is a time stamp's rounding
_SILENCE_LUFS = -69.0  # BS.1770's absolute gate is -70: below it nothing was said

Stereo = npt.NDArray[np.float32]  # (2, n), full scale 1, at RATE_HZ


def read_voice(path: Path) -> Stereo:
    """Decode a recorded voice, whatever the browser wrote, both ears alike.

    Holes that a recorder leaves where nobody spoke become silence, so that words keep their time.

    Raises
    ------
    PackError : there is no such file, or no sound in it.
    """
    pieces: list[Stereo] = []
    held = 0
    start: Fraction | None = None
    try:
        with av.open(f"file:{path}", options={"protocol_whitelist": "file"}) as container:
            if not container.streams.audio:
                raise _unheard(path)
            resampler = AudioResampler(format="fltp", rate=RATE_HZ)
            for frame in chain(container.decode(audio=0), (None,)):
                for piece in resampler.resample(frame):
                    samples = _samples(piece)
                    if piece.pts is not None and piece.time_base is not None:
                        at = piece.pts * piece.time_base
                        start = at if start is None else start
                        hole = round((at - start) * RATE_HZ) - held
                        if hole > _HOLE:
                            pieces.append(np.zeros((samples.shape[0], hole), np.float32))
                            held += hole
                    pieces.append(samples)
                    held += samples.shape[1]
    except (OSError, av.error.FFmpegError) as err:
        raise _unheard(path) from err
    if not pieces:
        raise _unheard(path)
    # The plain mean: FFmpeg's own mix to one channel would add 3 dB where both are alike.
    mono = np.concatenate(pieces, axis=1).mean(axis=0, keepdims=True, dtype=np.float32)
    return np.repeat(mono, 2, axis=0)


def _unheard(path: Path) -> PackError:
    return PackError(
        say("there is no sound to be read in this recording"),
        path=path,
        do=say("record the passage again; the other passages were kept"),
    )


def level_voice(voice: Stereo) -> Stereo:
    """Even out a voice and bring it to R 128's loudness; silence stays silence.

    `loudnorm` evens it out as it goes; a short passage ends a few LU off, which one gain corrects.

    Returns
    -------
    (2, n) with the same length.
    """
    if measure_loudness_lufs(voice) is None:
        return voice
    graph = Graph()
    nodes = [
        graph.add_abuffer(sample_rate=RATE_HZ, format="fltp", layout="stereo"),
        graph.add("loudnorm", f"I={TARGET_LUFS}:LRA={_RANGE_LU}:TP={TRUE_PEAK_DBTP}"),
        graph.add("aresample", str(RATE_HZ)),
        graph.add("aformat", f"sample_fmts=fltp:sample_rates={RATE_HZ}:channel_layouts=stereo"),
        graph.add("abuffersink"),
    ]
    graph.link_nodes(*nodes).configure()
    made = np.concatenate([_samples(f) for f in _through(graph, voice)], axis=1)
    length = voice.shape[1]
    evened = np.zeros_like(voice)
    evened[:, : min(length, made.shape[1])] = made[:, :length]
    return trim_to_target(evened)


def trim_to_target(programme: Stereo) -> Stereo:
    """Shift a whole programme by one gain to the target, its peaks limited; silence stays."""
    found = measure_loudness_lufs(programme)
    if found is None:
        return programme
    gain = np.float32(10 ** ((TARGET_LUFS - found) / 20))
    ceiling = np.float32(10 ** (TRUE_PEAK_DBTP / 20))
    trimmed: Stereo = np.clip(programme * gain, -ceiling, ceiling).astype(np.float32)
    return trimmed


def measure_loudness_lufs(sound: Stereo) -> float | None:
    """Measure integrated loudness with FFmpeg's `ebur128`.

    Returns
    -------
    float | None : LUFS; None for silence, which has no loudness.
    """
    graph = Graph()
    nodes = [
        graph.add_abuffer(sample_rate=RATE_HZ, format="fltp", layout="stereo"),
        graph.add("ebur128", "metadata=1:framelog=quiet"),
        graph.add("abuffersink"),
    ]
    graph.link_nodes(*nodes).configure()
    found: float | None = None
    for frame in _through(graph, sound):
        said = frame.metadata.get("lavfi.r128.I")
        found = float(said) if said else found
    return found if found is not None and found > _SILENCE_LUFS else None


def _samples(frame: AudioFrame) -> Stereo:
    return np.asarray(frame.to_ndarray(), dtype=np.float32)


def _through(graph: Graph, sound: Stereo) -> Iterator[AudioFrame]:
    for start in range(0, sound.shape[1], _BLOCK):
        block = np.ascontiguousarray(sound[:, start : start + _BLOCK])
        frame = AudioFrame.from_ndarray(block, format="fltp", layout="stereo")
        frame.sample_rate = RATE_HZ
        frame.pts = start
        graph.push(frame)
        yield from _ready(graph)
    graph.push(None)
    yield from _ready(graph)


def _ready(graph: Graph) -> Iterator[AudioFrame]:
    while True:
        try:
            frame = graph.pull()
        except (av.error.BlockingIOError, av.error.EOFError):
            return
        assert isinstance(frame, AudioFrame)
        yield frame
