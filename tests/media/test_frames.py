"""Pictures come upright, in order, with their own time stamps."""

from __future__ import annotations

import tracemalloc

import av
import numpy as np
import pytest
from tests.media.conftest import TICKS, numbered, trim_by_edit_list

from lessonmark.errors import UnreadableClip
from lessonmark.media import probe_clip, read_frame_nearest, read_frames

CODECS = [
    ("libx264", "yuv420p"),
    ("libx264", "yuv420p10le"),
    ("libx265", "yuv420p10le"),
    ("mpeg4", "yuv420p"),
]


@pytest.mark.parametrize(("codec", "pixel_format"), CODECS)
@pytest.mark.parametrize("grey", [False, True], ids=["rgb", "grey"])
def test_pictures_come_back_in_order(make_clip, number_of, codec, pixel_format, grey):
    clip = probe_clip(make_clip(codec=codec, pixel_format=pixel_format, frames=20))
    got = list(read_frames(clip, grey=grey))
    assert [number_of(frame.image) for frame in got] == list(range(20))
    assert [frame.index for frame in got] == list(range(20))
    assert np.allclose([frame.s for frame in got], np.arange(20) / 30, atol=1 / TICKS)
    shape = (64, 96) if grey else (64, 96, 3)
    assert all(f.image.shape == shape and f.image.dtype == np.uint8 for f in got)


def test_a_picture_asked_for_late_is_the_same_and_is_made_once(make_clip, number_of):
    clip = probe_clip(make_clip(frames=20))
    got = list(read_frames(clip, start_s=0.0))
    assert [number_of(frame.image) for frame in reversed(got)] == list(range(19, -1, -1))
    assert got[7].image is got[7].image


def test_times_are_time_stamps_not_counts(make_clip):
    stamps = np.cumsum([0.0, *np.random.default_rng(5).uniform(0.004, 0.05, 19)])
    clip = probe_clip(make_clip(times_s=stamps))
    assert clip.variable_rate
    got = [frame.s for frame in read_frames(clip)]
    assert np.allclose(got, stamps, atol=1 / TICKS)


def test_times_of_a_slowed_file_are_real_seconds(make_clip):
    clip = probe_clip(make_clip(frames=24, fps=30), fps_declared=240)
    assert np.allclose([f.s for f in read_frames(clip)], np.arange(24) / 240, atol=1 / TICKS)


@pytest.mark.parametrize("grey", [False, True], ids=["rgb", "grey"])
@pytest.mark.parametrize(
    "turned",
    [
        {"degrees": 0},
        {"degrees": 90},
        {"degrees": 180},
        {"degrees": -90},
        {"degrees": 0, "hflip": True},
        {"degrees": 90, "hflip": True},
        {"degrees": 90, "vflip": True},
    ],
    ids=str,
)
def test_pictures_stand_upright_as_the_exif_of_a_photo_would_have_them(make_clip, turned, grey):
    """The turn is that of numpy's rot90 (counter-clockwise), the mirror after it, as documented
    by the writing library."""
    stored = numbered(20, 96, 64)
    want = np.rot90(stored, int(turned["degrees"]) // 90)
    want = want[:, ::-1] if turned.get("hflip") else want
    want = want[::-1] if turned.get("vflip") else want
    clip = probe_clip(make_clip(frames=3, turned=turned, picture=lambda *_: stored))
    image = next(read_frames(clip, grey=grey)).image
    assert image.shape[:2] == want.shape[:2] == (clip.height, clip.width)
    weights = [0.299, 0.587, 0.114]  # ITU-R BT.601-7, 2.5.1
    wanted = want @ weights if grey else want
    inside = np.s_[8:-8:4, 8:-8:4]
    assert np.abs(image.astype(float) - wanted)[inside].mean() < 6


@pytest.mark.parametrize(("value", "grey"), [(0, 0), (16, 16), (128, 128), (235, 235), (255, 255)])
@pytest.mark.parametrize(("codec", "pixel_format"), CODECS)
def test_grey_reaches_from_black_to_white(make_clip, codec, pixel_format, value, grey):
    def flat(index, width, height):
        return np.full((height, width, 3), value, np.uint8)

    clip = probe_clip(make_clip(codec=codec, pixel_format=pixel_format, frames=8, picture=flat))
    image = next(read_frames(clip, grey=True)).image
    assert np.abs(image.astype(int) - grey).max() <= 3


@pytest.mark.parametrize("size", [(97, 63), (95, 64), (640, 361)], ids=str)
@pytest.mark.parametrize("grey", [False, True], ids=["rgb", "grey"])
def test_odd_sizes_are_read(make_clip, number_of, size, grey):
    clip = probe_clip(make_clip(size=size, codec="mpeg4", frames=4))
    assert (clip.width, clip.height) == size
    got = list(read_frames(clip, grey=grey))
    assert [number_of(frame.image) for frame in got] == [0, 1, 2, 3]
    assert got[0].image.shape[:2] == size[::-1]


def test_4k_is_streamed_and_not_held(make_clip):
    fast = {"preset": "ultrafast"}
    clip = probe_clip(make_clip(size=(3840, 2160), frames=8, codec_options=fast))
    tracemalloc.start()
    count = sum(1 for frame in read_frames(clip) if frame.image.shape == (2160, 3840, 3))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert count == 8
    assert peak < 4 * 3840 * 2160 * 3  # the consumer's picture, the next one, and room


def test_reading_from_the_middle_keeps_index_and_time(make_clip, number_of):
    clip = probe_clip(make_clip(frames=50, codec_options={"g": "12", "bf": "2"}))
    got = list(read_frames(clip, start_s=20 / 30, stop_s=31 / 30))
    assert [frame.index for frame in got] == list(range(20, 32))
    assert [number_of(frame.image) for frame in got] == list(range(20, 32))
    assert got[0].s == pytest.approx(20 / 30, abs=1 / TICKS)


def test_every_third_picture_is_the_same_whatever_the_start(make_clip, number_of):
    clip = probe_clip(make_clip(frames=30))
    assert [frame.index for frame in read_frames(clip, every=3, start_s=0.4)] == [
        12,
        15,
        18,
        21,
        24,
        27,
    ]
    assert [number_of(frame.image) for frame in read_frames(clip, every=10)] == [0, 10, 20]


@pytest.mark.parametrize(("s", "index"), [(-1, 0), (0.34, 10), (0.351, 11), (9, 29)])
def test_the_nearest_picture(make_clip, number_of, s, index):
    clip = probe_clip(make_clip(frames=30))
    frame = read_frame_nearest(clip, s)
    assert (frame.index, number_of(frame.image)) == (index, index)


@pytest.mark.parametrize("grey", [False, True], ids=["rgb", "grey"])
def test_pictures_shrink_to_a_height_and_keep_their_shape(make_clip, number_of, grey):
    clip = probe_clip(make_clip(size=(192, 128), frames=3, turned={"degrees": 90}))
    got = list(read_frames(clip, max_height=96, grey=grey))
    assert got[0].image.shape[:2] == (96, 64)
    assert next(read_frames(clip, max_height=500, grey=grey)).image.shape[:2] == (192, 128)


def test_pixels_that_are_not_square_are_made_square(make_clip, tmp_path):
    path = make_clip(size=(96, 64), codec_options={"x264-params": "sar=4/3"})
    clip = probe_clip(path)
    assert (clip.width, clip.height) == (128, 64)
    assert next(read_frames(clip)).image.shape == (64, 128, 3)
    assert next(read_frames(clip, grey=True)).image.shape == (64, 128)


@pytest.mark.parametrize("share", [0.5, 0.75, 0.9])
def test_a_clip_cut_in_the_middle_gives_its_good_pictures_and_then_says_where(
    make_clip, number_of, share
):
    rng = np.random.default_rng(2)

    def noisy(index, width, height):
        image = numbered(index, width, height)
        image[height // 2 :] = rng.integers(0, 255, (height - height // 2, width, 3))
        return image

    whole = make_clip(
        frames=40, size=(320, 240), picture=noisy, container_options={"movflags": "faststart"}
    )
    data = whole.read_bytes()
    whole.write_bytes(data[: int(len(data) * share)])
    clip = probe_clip(whole)
    good = []

    def consume():
        for frame in read_frames(clip):
            good.append(frame)

    with pytest.raises(UnreadableClip, match="breaks off") as caught:
        consume()
    assert [number_of(frame.image) for frame in good] == list(range(len(good)))
    assert len(good) == pytest.approx(40 * share, abs=5)
    assert caught.value.second == pytest.approx(good[-1].s, abs=0.001)


def test_the_part_before_the_cut_can_be_asked_for_without_an_error(make_clip):
    path = make_clip(frames=40, size=(320, 240), container_options={"movflags": "faststart"})
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * 0.9)])
    clip = probe_clip(path)
    assert len(list(read_frames(clip, stop_s=0.2))) == 7


@pytest.mark.parametrize("skipped", [3, 7])
def test_an_edit_list_that_trims_the_start_is_obeyed(make_clip, number_of, skipped):
    path = make_clip(frames=24, codec_options={"bf": "2", "g": "24"})
    trim_by_edit_list(path, skip_s=skipped / 30)
    clip = probe_clip(path)
    got = list(read_frames(clip))
    assert number_of(got[0].image) == skipped
    assert [frame.index for frame in got[:3]] == [0, 1, 2]
    assert np.allclose([f.s for f in got], np.arange(len(got)) / 30, atol=2 / TICKS)


def test_a_late_first_picture_keeps_its_lateness(make_clip):
    """Sound from 0, picture from 0.2 s: an empty edit in the file."""
    stamps = 0.2 + np.arange(10) / 30
    clip = probe_clip(make_clip(times_s=stamps, sound=np.zeros(48000, np.float32)))
    assert np.allclose([f.s for f in read_frames(clip)], stamps, atol=0.0011)


def test_a_transport_stream_starts_at_zero(make_clip):
    """Its clock starts anywhere (ISO/IEC 13818-1); a player shows 0."""
    path = make_clip("clip.ts", times_s=1.4 + np.arange(15) / 30)
    with av.open(str(path)) as container:
        assert container.start_time > 1_000_000
    got = [frame.s for frame in read_frames(probe_clip(path))]
    assert np.allclose(got, np.arange(15) / 30, atol=1e-3)


def test_matroska_and_avi_are_read_too(make_clip, number_of):
    for name, codec in [("clip.mkv", "libx264"), ("clip.avi", "mjpeg")]:
        pixel_format = "yuvj420p" if codec == "mjpeg" else "yuv420p"
        clip = probe_clip(make_clip(name, codec=codec, pixel_format=pixel_format, frames=10))
        got = list(read_frames(clip))
        assert [number_of(frame.image) for frame in got] == list(range(10))
        assert np.allclose([f.s for f in got], np.arange(10) / 30, atol=2e-3)


@pytest.mark.parametrize("wrong", [{"every": 0}, {"max_height": 0}])
def test_a_count_below_one_is_refused(make_clip, wrong):
    with pytest.raises(ValueError, match="count from 1"):
        read_frames(probe_clip(make_clip()), **wrong)
