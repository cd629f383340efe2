"""Small real clips, encoded in code; each test says what is special about its own."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

ClipMaker = Callable[..., Path]
TICKS = 15360  # a second, in every clip made here


def numbered(index: int, width: int, height: int) -> np.ndarray:
    """A picture that carries its own number: eight bars, black or white, in its upper left quarter.

    The upper right is red, the lower left blue, the lower right black, so that a turn shows.
    """
    image = np.zeros((height, width, 3), np.uint8)
    h, w = height // 2, width // 2
    for bit in range(8):
        image[:h, bit * w // 8 : (bit + 1) * w // 8] = 255 * (index >> bit & 1)
    image[:h, w:] = (220, 30, 30)
    image[h:, :w] = (30, 30, 220)
    return image


def click(rate: int, seconds: float, at_s: float) -> np.ndarray:
    """Silence with one sudden, quickly fading burst of noise at `at_s`."""
    rng = np.random.default_rng(7)
    sound = 0.0005 * rng.standard_normal(round(rate * seconds))
    start = round(at_s * rate)
    fade = np.exp(-np.arange(len(sound) - start) / (0.006 * rate))
    sound[start:] += 0.4 * fade * rng.standard_normal(len(fade))
    return sound.astype(np.float32)


@pytest.fixture
def make_clip(tmp_path: Path) -> ClipMaker:
    """Encode a clip and give its path."""

    def make(
        name: str = "clip.mp4",
        *,
        frames: int = 12,
        size: tuple[int, int] = (96, 64),
        fps: float = 30,
        ticks: int = TICKS,
        times_s: Sequence[float] | None = None,
        codec: str = "libx264",
        pixel_format: str = "yuv420p",
        codec_options: dict[str, str] | None = None,
        container_options: dict[str, str] | None = None,
        metadata: dict[str, str] | None = None,
        turned: dict[str, object] | None = None,
        sound: np.ndarray | None = None,
        sound_start_s: float = 0.0,
        picture: Callable[[int, int, int], np.ndarray] = numbered,
    ) -> Path:
        path = tmp_path / name
        stamps = times_s if times_s is not None else [i / fps for i in range(frames)]
        options = dict(container_options or {})
        if path.suffix == ".mp4":
            flags = f"use_metadata_tags+{options.get('movflags', 'disable_chpl')}"
            options |= {"movflags": flags, "video_track_timescale": str(ticks)}
        with av.open(str(path), "w", options=options) as container:
            container.metadata.update(metadata or {})
            stream = container.add_stream(codec, rate=Fraction(fps).limit_denominator(1001))
            stream.width, stream.height = size
            stream.pix_fmt = pixel_format
            stream.time_base = stream.codec_context.time_base = Fraction(1, ticks)
            stream.options = codec_options or {}
            if codec == "libx265":
                stream.options = {"x265-params": "log-level=none:pools=1", **stream.options}
            if turned:
                stream.set_display_rotation(**turned)
            audio = None
            if sound is not None:
                audio = container.add_stream("aac", rate=48000, layout="mono")
                audio.bit_rate = 128000
            for index, s in enumerate(stamps):
                frame = av.VideoFrame.from_ndarray(picture(index, *size), format="rgb24")
                frame.pts, frame.time_base = round(s * ticks), Fraction(1, ticks)
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
            if audio is not None:
                _write_sound(container, audio, sound, sound_start_s)
        return path

    return make


def _write_sound(container, audio, sound: np.ndarray, start_s: float) -> None:
    offset = round(start_s * 48000)
    for at in range(0, len(sound), 1024):
        frame = av.AudioFrame.from_ndarray(sound[None, at : at + 1024], "fltp", "mono")
        frame.sample_rate = 48000
        frame.pts, frame.time_base = at + offset, Fraction(1, 48000)
        container.mux(audio.encode(frame))
    container.mux(audio.encode(None))


def trim_by_edit_list(path: Path, *, skip_s: float) -> None:
    """Make the picture track's edit list start `skip_s` later (ISO/IEC 14496-12, 8.6.6).

    The bytes are changed by hand, so that what is read back was not written by the library that
    reads it.
    """
    data = bytearray(path.read_bytes())
    track = data.index(b"vmhd")
    elst = data.rindex(b"elst", 0, track)
    version, count = data[elst + 4], struct.unpack(">I", data[elst + 8 : elst + 12])[0]
    assert (version, count) == (0, 1)
    duration, media_time = struct.unpack(">Ii", data[elst + 12 : elst + 20])
    movie_scale = 1000  # the muxer's
    struct.pack_into(
        ">Ii",
        data,
        elst + 12,
        duration - round(skip_s * movie_scale),
        media_time + round(skip_s * TICKS),
    )
    path.write_bytes(data)


@pytest.fixture
def number_of() -> Callable[[np.ndarray], int]:
    """Read a `numbered` picture's number back, from grey or RGB."""

    def read(image: np.ndarray) -> int:
        h, w = image.shape[0] // 2, image.shape[1] // 2
        bars = [image[h // 4 : h * 3 // 4, (2 * bit + 1) * w // 16] for bit in range(8)]
        return sum(1 << bit for bit, bar in enumerate(bars) if bar.mean() > 127)

    return read
