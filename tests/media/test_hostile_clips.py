"""Clips that somebody made to do harm are refused with a plain message, quickly."""

import struct

import av
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lessonmark.errors import LessonmarkError, UnreadableClip
from lessonmark.media import timing
from lessonmark.media.frames import read_frames
from lessonmark.media.probe import probe_clip


@pytest.fixture
def small(tmp_path):
    """A real clip of 20 small pictures."""
    return write(tmp_path / "small.mp4", 96, 64, 20, codec="libx264", pix_fmt="yuv420p")


def write(path, width, height, frames, *, codec, pix_fmt, metadata=None):
    with av.open(str(path), "w") as out:
        out.metadata.update(metadata or {})
        stream = out.add_stream(codec, rate=60)
        stream.width, stream.height, stream.pix_fmt = width, height, pix_fmt
        for n in range(frames):
            image = np.full((height, width, 3), n, np.uint8)
            for packet in stream.encode(av.VideoFrame.from_ndarray(image, format="rgb24")):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    return path


def test_a_decompression_bomb_of_one_colour_is_refused(tmp_path):
    bomb = write(tmp_path / "bomb.mov", 10_000, 6_000, 2, codec="png", pix_fmt="rgb24")
    assert bomb.stat().st_size < 1_500_000  # 360 MB unpacked
    with pytest.raises(UnreadableClip, match="larger than any camera's"):
        probe_clip(bomb)


def test_a_picture_larger_than_the_files_head_says_is_refused(tmp_path):
    bomb = write(tmp_path / "bomb.mov", 10_000, 6_000, 2, codec="png", pix_fmt="rgb24")
    content = bytearray(bomb.read_bytes())
    at = content.find(b"png ") + 28  # VisualSampleEntry (ISO/IEC 14496-12, 12.1.3): width, height
    assert struct.unpack_from(">HH", content, at) == (10_000, 6_000)
    struct.pack_into(">HH", content, at, 64, 64)
    bomb.write_bytes(content)
    with pytest.raises(UnreadableClip, match=r"larger than any|can be decoded"):
        probe_clip(bomb)


def test_hours_of_pictures_are_refused(small, monkeypatch):
    monkeypatch.setattr(timing, "PICTURES_MAX", 10)
    timing._read.cache_clear()
    with pytest.raises(UnreadableClip, match="far longer than a lesson's clip"):
        probe_clip(small)
    timing._read.cache_clear()


@pytest.mark.parametrize(
    "value",
    [
        "9999-12-31T23:59:59.999999-12:00",
        "x" * 100_000,
        "<script>alert(1)</script>",
        "-1",
        "\u202e",
    ],
    ids=["the last moment", "long", "script", "minus", "turned round"],
)
def test_hostile_metadata_are_words_and_nothing_more(tmp_path, value):
    path = write(
        tmp_path / "clip.mp4",
        *(96, 64, 20),
        codec="libx264",
        pix_fmt="yuv420p",
        metadata={"creation_time": value, "title": value, "comment": value},
    )
    assert probe_clip(path).fps_filmed == pytest.approx(60)


@pytest.mark.parametrize(
    "text",
    [
        "#EXTM3U\n#EXTINF:1,\nhttp://127.0.0.1:9/x.ts\n",
        "ffconcat version 1.0\nfile '/etc/passwd'\n",
        "<?xml version='1.0'?><MPD/>",
    ],
    ids=["play list", "concatenation", "manifest"],
)
def test_a_file_that_points_elsewhere_is_never_followed(tmp_path, text):
    path = tmp_path / "clip.mp4"
    path.write_text(text)
    with pytest.raises(UnreadableClip, match="text file"):
        probe_clip(path)


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_no_bent_clip_does_more_than_be_refused(small, tmp_path, data):
    content = bytearray(small.read_bytes())
    for _ in range(data.draw(st.integers(1, 8))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at] = data.draw(st.integers(0, 255))
    bent = tmp_path / "bent.mp4"
    bent.write_bytes(content[: data.draw(st.integers(1, len(content)))])
    shown, said = 2, ""
    try:
        shown = sum(1 for _ in read_frames(probe_clip(bent)))
    except LessonmarkError as err:
        said = str(err)
    assert str(tmp_path) not in said
    assert 2 <= shown <= 60


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(content=st.binary(min_size=1, max_size=600))
def test_no_bytes_named_clip_do_more_than_be_refused(tmp_path, content):
    path = tmp_path / "bytes.mp4"
    path.write_bytes(b"\x00\x00\x00\x18ftypmp42" + content)
    with pytest.raises(UnreadableClip):
        probe_clip(path)
