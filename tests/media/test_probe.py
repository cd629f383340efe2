"""What a file is, and why it is refused."""

from __future__ import annotations

import wave
from pathlib import Path

import av
import numpy as np
import pytest

from lessonmark.errors import LessonFileError, UnreadableClip
from lessonmark.media import probe_clip, read_frames


def write_sound_only(path: Path) -> None:
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes(np.zeros(8000, np.int16).tobytes())


def sound_in_mp4(path: Path) -> None:
    with av.open(str(path), "w") as container:
        audio = container.add_stream("aac", rate=48000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
        frame.sample_rate = 48000
        container.mux(audio.encode(frame))
        container.mux(audio.encode(None))


BAD = {
    "no such file": (lambda p: None, "no such file"),
    "folder": (lambda p: p.mkdir(), "folder"),
    "zero bytes": (lambda p: p.touch(), "empty"),
    "text": (lambda p: p.write_text("swing thoughts\nkeep the elbow bent, é\n"), "text file"),
    "play list": (lambda p: p.write_text("#EXTM3U\n#EXTINF:1,\nother.ts\n"), "text file"),
    "noise": (
        lambda p: p.write_bytes(np.random.default_rng(1).bytes(5000)),
        "no video that can be read",
    ),
    "sound only, wav": (write_sound_only, "sound but no picture"),
    "sound only, mp4": (sound_in_mp4, "sound but no picture"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_file_that_is_no_video_is_refused_in_its_own_words(tmp_path, name):
    spoil, words = BAD[name]
    path = tmp_path / "swing.mp4"
    spoil(path)
    with pytest.raises(UnreadableClip, match=words) as caught:
        probe_clip(path)
    assert caught.value.do
    assert caught.value.path == path


def test_no_two_refusals_share_their_words(tmp_path):
    said = {}
    for name, (spoil, _) in BAD.items():
        path = tmp_path / f"{name}.mp4"
        spoil(path)
        with pytest.raises(UnreadableClip) as caught:
            probe_clip(path)
        said[name] = caught.value.what
    assert len(set(said.values())) == len(BAD) - 2  # two texts, two sounds


def test_one_picture_is_no_clip(make_clip):
    with pytest.raises(UnreadableClip, match="single picture"):
        probe_clip(make_clip(frames=1))


def test_a_file_without_its_index_is_cut_short(make_clip):
    path = make_clip(frames=30, size=(320, 240))
    data = path.read_bytes()
    path.write_bytes(data[: data.index(b"moov") - 200])
    with pytest.raises(UnreadableClip, match="cut short: its index") as caught:
        probe_clip(path)
    assert "copy it" in caught.value.do


def test_a_damaged_index_is_said_to_be_damaged(make_clip):
    path = make_clip()
    data = bytearray(path.read_bytes())
    at = data.index(b"stbl")
    data[at : at + 4] = b"xxxx"
    path.write_bytes(data)
    with pytest.raises(UnreadableClip):
        probe_clip(path)


def test_a_file_cut_in_the_middle_is_described_with_a_note(make_clip):
    path = make_clip(frames=60, size=(320, 240), container_options={"movflags": "faststart"})
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 3 // 4])
    clip = probe_clip(path)
    assert any("cut short" in note for note in clip.notes)
    assert clip.duration_s < 2.0


@pytest.mark.parametrize(
    ("codec", "pixel_format", "name"),
    [
        ("libx264", "yuv420p", "h264"),
        ("libx264", "yuv420p10le", "h264"),
        ("libx265", "yuv420p", "hevc"),
        ("libx265", "yuv420p10le", "hevc"),
    ],
)
def test_the_codecs_of_phones_are_known(make_clip, codec, pixel_format, name):
    clip = probe_clip(make_clip(codec=codec, pixel_format=pixel_format))
    assert (clip.codec, clip.pixel_format) == (name, pixel_format)
    assert (clip.width, clip.height, clip.has_sound) == (96, 64, False)
    assert clip.duration_s == pytest.approx(12 / 30, abs=1e-4)


def test_the_content_hash_is_that_of_a_reference_program(make_clip):
    import hashlib

    path = make_clip()
    assert probe_clip(path).sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


# FIPS 180-4's own worked example, "abc" (NIST, Secure Hash Standard examples).
def test_the_content_hash_agrees_with_the_standards_example(tmp_path):
    from lessonmark.media import content_hash

    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert content_hash(path) == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


@pytest.mark.parametrize(
    ("fps", "declared", "metadata", "filmed", "source"),
    [
        (30, None, {}, 30, "container"),
        (30, 240, {}, 240, "declared"),
        (29.97, 240, {}, 8 * 29.97, "declared"),
        (25, 240, {}, 240, "declared"),
        (239.76, 240, {}, 239.76, "declared"),
        (30, None, {"com.android.capture.fps": "240"}, 240, "metadata"),
        (30, 120, {"com.android.capture.fps": "240"}, 120, "declared"),
        (240, None, {"com.android.capture.fps": "240.0"}, 240, "metadata"),
        (30, None, {"com.android.capture.fps": "rubbish"}, 30, "container"),
        (24, None, {"com.android.capture.fps": "30"}, 24, "container"),
        (
            240,
            None,
            {"com.apple.quicktime.full-frame-rate-playback-intent": "0"},
            240,
            "metadata",
        ),
    ],
)
def test_the_rate_as_filmed_is_declared_then_noted_then_counted(
    make_clip, fps, declared, metadata, filmed, source
):
    clip = probe_clip(make_clip(fps=fps, metadata=metadata), fps_declared=declared)
    assert clip.fps_container == pytest.approx(fps, rel=2e-3)
    assert clip.fps_filmed == pytest.approx(filmed, rel=2e-3)
    assert clip.fps_source == source


def test_a_slowed_file_lasts_as_long_as_it_took(make_clip):
    clip = probe_clip(make_clip(frames=24, fps=30), fps_declared=240)
    assert clip.slowdown == pytest.approx(8)
    assert clip.duration_s == pytest.approx(24 / 240, abs=1e-4)


@pytest.mark.parametrize("declared", [0, -30, float("nan"), float("inf")])
def test_an_impossible_declared_rate_is_refused(make_clip, declared):
    with pytest.raises(LessonFileError, match="above 0"):
        probe_clip(make_clip(), fps_declared=declared)


def test_a_declared_rate_below_the_files_is_questioned(make_clip):
    clip = probe_clip(make_clip(fps=240), fps_declared=60)
    assert any("check the setting" in note for note in clip.notes)


def test_uneven_time_stamps_are_noticed_and_rounding_is_not(make_clip):
    rng = np.random.default_rng(3)
    uneven = np.cumsum(rng.choice([1 / 120, 1 / 60], size=20))
    assert probe_clip(make_clip("uneven.mp4", times_s=uneven)).variable_rate
    # 240 a second counted in 600ths of a second, as some phones do: steps of 2 and 3 ticks.
    rounded = np.arange(40) / 240
    assert not probe_clip(make_clip("rounded.mp4", ticks=600, times_s=rounded)).variable_rate


def test_the_rotation_and_the_mirror_flag_are_read(make_clip):
    turned = probe_clip(make_clip("turned.mp4", turned={"degrees": -90}))
    assert (turned.rotation_deg, turned.width, turned.height) == (90, 64, 96)
    mirrored = probe_clip(make_clip("mirrored.mp4", turned={"degrees": 0, "hflip": True}))
    assert any("mirrored" in note for note in mirrored.notes)


def test_the_date_of_filming_is_kept(make_clip):
    clip = probe_clip(make_clip(metadata={"creation_time": "2026-05-04T10:00:00.000000Z"}))
    assert clip.created is not None
    assert clip.created.startswith("2026-05-04T10:00:00")


def test_probing_leaves_the_file_as_it_was(make_clip):
    path = make_clip()
    before = path.read_bytes()
    for _ in read_frames(probe_clip(path)):
        pass
    assert path.read_bytes() == before
