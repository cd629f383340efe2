"""A pack gives the exact picture, and only a whole pack counts."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from lessonmark.errors import UnreadableClip
from lessonmark.media import probe_clip, read_frames
from lessonmark.media.proxies import read_proxy, write_proxy


def opened(jpeg: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB"))


@pytest.mark.parametrize("turned", [None, {"degrees": 90}, {"degrees": 0, "hflip": True}], ids=str)
def test_every_picture_of_the_pack_is_the_clips(make_clip, tmp_path, turned):
    clip = probe_clip(make_clip(frames=12, turned=turned))
    proxy = write_proxy(clip, tmp_path / "packs")
    assert proxy.whole
    for place, frame in enumerate(read_frames(clip)):
        assert (proxy.index[place], proxy.s[place]) == (
            frame.index,
            pytest.approx(frame.s, abs=1e-6),
        )
        picture = opened(proxy.jpeg(place))
        assert picture.shape == frame.image.shape
        assert np.abs(picture.astype(int) - frame.image).mean() < 4


def test_a_pack_can_hold_the_swing_alone(make_clip, tmp_path, number_of):
    clip = probe_clip(make_clip(frames=40))
    proxy = write_proxy(clip, tmp_path, start_s=10 / 30, stop_s=20 / 30)
    assert proxy.index == tuple(range(10, 21))
    assert number_of(opened(proxy.jpeg(proxy.nearest(0.5)))) == 15


def test_large_pictures_are_shrunk_and_odd_ones_kept(make_clip, tmp_path):
    large = probe_clip(make_clip("large.mp4", size=(640, 360), frames=2))
    proxy = write_proxy(large, tmp_path, max_height=180)
    assert opened(proxy.jpeg(0)).shape == (180, 320, 3)
    assert (proxy.width, proxy.height, proxy.scale) == (320, 180, 0.5)
    odd = probe_clip(make_clip("odd.mp4", size=(97, 63), codec="mpeg4", frames=2))
    assert opened(write_proxy(odd, tmp_path).jpeg(1)).shape == (63, 97, 3)


def test_a_written_pack_is_found_again(make_clip, tmp_path):
    clip = probe_clip(make_clip())
    assert read_proxy(clip, tmp_path) is None
    written = write_proxy(clip, tmp_path)
    assert read_proxy(clip, tmp_path) == written


@pytest.mark.parametrize("spoil", ["short", "no index", "broken index", "other format"])
def test_a_pack_that_is_not_whole_counts_as_none(make_clip, tmp_path, spoil):
    clip = probe_clip(make_clip())
    folder = tmp_path / "packs"
    proxy = write_proxy(clip, folder)
    index = proxy.path.with_suffix(".json")
    if spoil == "short":
        proxy.path.write_bytes(proxy.path.read_bytes()[:-1])
    elif spoil == "no index":
        index.unlink()
    elif spoil == "broken index":
        index.write_text("{")
    else:
        index.write_text(index.read_text().replace("frames-1", "frames-0"))
    assert read_proxy(clip, folder) is None


def test_a_clip_that_breaks_off_is_packed_so_far(make_clip, tmp_path):
    path = make_clip(frames=40, size=(320, 240), container_options={"movflags": "faststart"})
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * 0.9)])
    proxy = write_proxy(probe_clip(path), tmp_path)
    assert not proxy.whole
    assert 2 <= len(proxy.s) < 40


def test_nothing_is_left_of_a_pack_without_pictures(make_clip, tmp_path):
    path = make_clip(frames=10)
    clip = probe_clip(path)
    path.write_bytes(b"")
    with pytest.raises(UnreadableClip):
        write_proxy(clip, tmp_path / "packs")
    assert read_proxy(clip, tmp_path / "packs") is None
