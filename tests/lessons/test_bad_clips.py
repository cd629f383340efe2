"""Broken and unsuitable clips: each is reported in words, and the others go on."""

from __future__ import annotations

import re
import shutil
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from lessonmark.lessons.clip_pool import analyse_clips
from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.lessons.findings import ClipFinding, ClipProblem
from lessonmark.words import Handedness, Stage, View

DEMO = Path(__file__).parents[2] / "demo" / "lesson"
GOOD = DEMO / "before/face-on/clip_00.mp4"


def settings(clip: str, **changed) -> ClipSettings:
    facts = {
        "clip": clip,
        "view": View.FACE_ON,
        "stage": Stage.BEFORE,
        "handedness": Handedness.RIGHT,
        "mirrored": False,
        "fps_declared": None,
        "stature_cm": 184.0,
        "club_length_cm": 95.0,
        "air_temperature_c": 15.0,
        "heavy": False,
    }
    return ClipSettings(**(facts | changed))


def encode(path: Path, images, *, fps: int = 30, codec: str = "libx264") -> None:
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=Fraction(fps))
        for image in images:
            if not stream.codec_context.is_open:
                stream.height, stream.width = image.shape[:2]
                stream.pix_fmt = "yuv420p" if image.shape[1] % 2 == 0 else "yuv444p"
            for packet in stream.encode(av.VideoFrame.from_ndarray(image, format="rgb24")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)


def sound_only(path: Path) -> None:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=44100)
        samples = np.random.default_rng(0).normal(0, 0.1, (1, 44100)).astype(np.float32)
        frame = av.AudioFrame.from_ndarray(samples, format="fltp", layout="mono")
        frame.sample_rate = 44100
        for packet in [*stream.encode(frame), *stream.encode()]:
            container.mux(packet)


def grass(count: int, size=(270, 480)) -> list[np.ndarray]:
    rng = np.random.default_rng(5)
    still = rng.normal((70, 110, 50), 14, (*size, 3))
    return [(still + rng.normal(0, 2, still.shape)).clip(0, 255).astype(np.uint8)] * count


def make_bad(folder: Path) -> dict[str, str]:
    """Write each kind of bad file; gives a piece of what must be said about it."""
    (folder / "empty.mp4").write_bytes(b"")
    (folder / "text.mp4").write_text("This is a shopping list.\n" * 40)
    (folder / "stump.mp4").write_bytes(GOOD.read_bytes()[:60_000])
    sound_only(folder / "sound.mp4")
    encode(folder / "one.mp4", grass(1))
    return {
        "empty.mp4": "empty",
        "text.mp4": "text file",
        "stump.mp4": "not one picture of the video can be decoded",
        "sound.mp4": "sound",
        "one.mp4": "single picture",
        "missing.mp4": "no such file",
    }


def test_each_broken_file_is_reported_and_the_rest_go_on(tmp_path):
    said = make_bad(tmp_path)
    before = {path.name: path.read_bytes() for path in tmp_path.glob("*.mp4")}
    results = list(
        analyse_clips(
            tmp_path,
            [settings(name) for name in said],
            derived=tmp_path / "derived",
            workers=1,
        )
    )
    assert [result.clip for result in results] == list(said)
    for result in results:
        assert isinstance(result, ClipProblem)
        assert said[result.clip] in result.what, result.what
        assert result.do
    assert {path.name: path.read_bytes() for path in tmp_path.glob("*.mp4")} == before


@pytest.mark.network_weights
def test_a_truncated_clip_says_where_it_ends_and_the_next_goes_on(tmp_path):
    whole = GOOD.read_bytes()
    (tmp_path / "truncated.mp4").write_bytes(whole[: len(whole) // 2])
    shutil.copy(GOOD, tmp_path / "good.mp4")
    cut, good = analyse_clips(
        tmp_path,
        [settings("truncated.mp4"), settings("good.mp4")],
        derived=tmp_path / "derived",
        workers=1,
    )
    assert isinstance(cut, ClipProblem)
    assert re.search(r"at 1\.\d\d s", cut.what), cut.what
    assert isinstance(good, ClipFinding)


@pytest.mark.network_weights
def test_nobody_and_no_swing_are_told_apart(tmp_path):
    encode(tmp_path / "nobody.mp4", grass(20))
    still = _first_picture(GOOD)[200:1000:2, ::2]
    encode(tmp_path / "standing.mp4", [still] * 40)
    nobody, standing = analyse_clips(
        tmp_path,
        [settings("nobody.mp4"), settings("standing.mp4")],
        derived=tmp_path / "derived",
        workers=1,
    )
    assert isinstance(nobody, ClipProblem)
    assert "nobody is to be seen" in nobody.what
    assert isinstance(standing, ClipProblem)
    assert "no swing" in standing.what


@pytest.mark.network_weights
def test_a_wrong_view_and_a_wrong_hand_are_noticed(tmp_path):
    shutil.copy(GOOD, tmp_path / "clip.mp4")
    wrong_view, wrong_hand = analyse_clips(
        tmp_path,
        [
            settings("clip.mp4", view=View.DOWN_THE_LINE),
            settings("clip.mp4", handedness=Handedness.LEFT),
        ],
        derived=tmp_path / "derived",
        workers=1,
    )
    assert isinstance(wrong_view, ClipProblem)
    assert "seen as from face-on" in wrong_view.what
    assert isinstance(wrong_hand, ClipProblem)
    assert "other way round" in wrong_hand.what
    assert "mirrored = true" in wrong_hand.do


@pytest.mark.network_weights
def test_large_and_odd_sized_clips_are_measured(tmp_path):
    frames = _pictures(GOOD)[::2]
    odd = [frame[200:1001, 40:661] for frame in frames]  # 621 x 801
    encode(tmp_path / "odd.mp4", odd, fps=60)
    (measured,) = analyse_clips(
        tmp_path, [settings("odd.mp4")], derived=tmp_path / "derived", workers=1
    )
    assert isinstance(measured, ClipFinding), measured
    assert (measured.width, measured.height) == (621, 801)
    assert measured.swings


@pytest.mark.network_weights
def test_a_4k_clip_is_followed_and_refused_for_its_content_alone(tmp_path):
    large = np.repeat(np.repeat(_first_picture(GOOD), 3, axis=0), 3, axis=1)  # 2160 x 3840
    encode(tmp_path / "large.mp4", [large] * 10)
    (refused,) = analyse_clips(
        tmp_path, [settings("large.mp4")], derived=tmp_path / "derived", workers=1
    )
    assert isinstance(refused, ClipProblem)
    assert "no swing" in refused.what  # and not: nobody, or too large


@pytest.mark.network_weights
def test_a_second_run_looks_up_what_the_first_found(tmp_path):
    known = settings("before/face-on/clip_00.mp4")
    (first,) = analyse_clips(DEMO, [known], derived=tmp_path, workers=1)
    said = []
    (second,) = analyse_clips(
        DEMO, [known], derived=tmp_path, workers=1, on_progress=lambda p: said.append(p.doing)
    )
    assert second == first
    assert said == ["known already"]


def _first_picture(path: Path) -> np.ndarray:
    with av.open(str(path)) as container:
        return next(container.decode(video=0)).to_ndarray(format="rgb24")


def _pictures(path: Path) -> list[np.ndarray]:
    with av.open(str(path)) as container:
        return [frame.to_ndarray(format="rgb24") for frame in container.decode(video=0)]
