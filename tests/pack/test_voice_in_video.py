"""The coach's voice and what was on the screen while they spoke are in the review video."""

from __future__ import annotations

import wave
from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from lessonmark.errors import PackError
from lessonmark.media.frames import read_frame_nearest
from lessonmark.media.probe import probe_clip
from lessonmark.pack.coach_words import CoachWords, PlanLine
from lessonmark.pack.loudness import (
    RATE_HZ,
    TARGET_LUFS,
    level_voice,
    measure_loudness_lufs,
    read_voice,
)
from lessonmark.pack.take import (
    Ghost,
    Mark,
    PaneShown,
    Pointer,
    Shown,
    ShownLine,
    SwingRef,
    Take,
    read_take,
    write_take,
)
from lessonmark.pack.video import write_video
from lessonmark.pack.video_backgrounds import PAIR_TOP
from lessonmark.pack.video_plan import PaneClip, TakeSource, plan_scenes
from lessonmark.pack.video_take import PAIR_HEIGHT, passage_pictures
from lessonmark.words import Position, Stage

DEMO = Path(__file__).parents[2] / "demo"
WORDS = CoachWords(plan=(PlanLine(drill="Brush past the noodle", dose="3 sets of 8"),))


def test_meter_reads_the_broadcasters_own_signal():
    """EBU Tech 3341 (2016), table 1, case 1: stereo 1 kHz sine at -23 dBFS is -23.0 +- 0.1 LUFS."""
    t = np.arange(20 * RATE_HZ) / RATE_HZ
    sine = 10 ** (-23 / 20) * np.sin(2 * np.pi * 1000 * t)
    sound = np.stack([sine, sine]).astype(np.float32)
    assert measure_loudness_lufs(sound) == pytest.approx(-23.0, abs=0.1)


def test_silence_has_no_loudness_and_stays_silent():
    silence = np.zeros((2, RATE_HZ), np.float32)
    assert measure_loudness_lufs(silence) is None
    assert not level_voice(silence).any()


def _record(path: Path, seconds: float, bursts, level: float) -> None:
    """A stand-in for a voice: noise shaped like speech, only inside the bursts."""
    rng = np.random.default_rng(3)
    t = np.arange(round(seconds * 44100)) / 44100
    sound = np.convolve(rng.normal(size=t.size), np.ones(12) / 12, mode="same") * level
    sound *= 0.6 + 0.4 * np.sin(2 * np.pi * 4 * t)  # syllables
    sound *= sum((t >= a) & (t < b) for a, b in bursts)
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(44100)
        out.writeframes((np.clip(sound, -1, 1) * 32767).astype("<i2").tobytes())


@pytest.fixture(scope="module")
def spoken(filmed, tmp_path_factory, start_of):
    """Two takes, one loud and one 20 dB quieter, with a pointer and a mark."""
    findings, pictures = filmed
    folder = tmp_path_factory.mktemp("takes")
    _record(folder / "one.wav", 5.0, [(1.0, 2.0), (3.5, 4.5)], 0.5)
    _record(folder / "two.wav", 4.0, [(0.5, 3.5)], 0.05)
    moments = findings.clips[0].swings[0].positions
    one = Take(
        focus=0,
        audio="one.wav",
        duration_s=5.0,
        shown=(
            Shown(at_s=0.0, left=PaneShown(s=moments[Position.P4].time.s), right=None),
            Shown(at_s=2.0, left=PaneShown(s=0.5), right=PaneShown(s=0.5)),
        ),
        pointer=(Pointer(at_s=0.5, x=0.25, y=0.5), Pointer(at_s=1.5, x=None, y=None)),
        marks=(Mark(points=((2.5, 0.6, 0.1), (3.0, 0.9, 0.1)), until_s=4.0),),
        caption="Look at the trail shoulder.",
    )
    two = replace(one, audio="two.wav", duration_s=4.0, marks=(), caption="And again.")
    write_take(one, folder / "one.json")
    write_take(two, folder / "two.json")
    takes = [
        TakeSource(take=read_take(folder / name), folder=folder)
        for name in ("one.json", "two.json")
    ]
    path = folder / "review.mp4"
    made = write_video(
        findings, path, folder=DEMO / "lesson", pictures=pictures, words=WORDS, takes=takes
    )
    scenes = plan_scenes(findings, takes)
    return made, start_of(scenes, "take"), takes


def test_voice_is_level_and_where_it_was_spoken(spoken):
    """EBU R 128: -23 LUFS; the aim of the project is within 1 LU."""
    made, start, _ = spoken
    sound = read_voice(made.path)
    assert measure_loudness_lufs(sound) == pytest.approx(TARGET_LUFS, abs=1.0)
    power = sound[0].astype(float) ** 2
    rms = np.sqrt(np.convolve(power, np.ones(480) / 480, mode="same"))
    heard = np.flatnonzero(rms > 0.01) / RATE_HZ
    assert heard[0] == pytest.approx(start + 1.0, abs=0.05)
    assert heard[-1] == pytest.approx(start + 5.0 + 3.5, abs=0.05)
    assert not ((heard > start + 2.1) & (heard < start + 3.4)).any()


def test_quiet_take_is_brought_to_the_loud_ones_level(spoken):
    made, start, _ = spoken
    sound = read_voice(made.path)

    def part(a, b):
        return measure_loudness_lufs(sound[:, round(a * RATE_HZ) : round(b * RATE_HZ)])

    assert part(start, start + 5) == pytest.approx(part(start + 5, start + 9), abs=2.0)


def test_screen_shows_what_was_shown_while_speaking(spoken, picture_at):
    made, start, _ = spoken

    def pixel(second, x, y):
        shown = picture_at(made.path, start + second)
        return shown[PAIR_TOP + round(y * PAIR_HEIGHT), round(x * 1080)].astype(int)

    assert pixel(1.0, 0.25, 0.5).min() > 230  # the pointer's white
    assert pixel(1.7, 0.25, 0.5).min() < 230
    assert np.ptp(pixel(1.0, 0.75, 0.3)) < 40  # nothing shown there: paper
    yellow = pixel(3.3, 0.75, 0.1)
    assert yellow[0] > 190
    assert yellow[2] < 140
    assert pixel(4.3, 0.75, 0.1)[2] > 140  # wiped


@pytest.mark.parametrize("alone", [False, True], ids=["two swings", "one alone"])
def test_frame_zoom_and_lines_are_those_that_were_seen(filmed, alone):
    """Against the clip's own frame, cut here by slicing and a plain resize."""
    clips = [
        probe_clip(DEMO / "lesson" / stage / "face-on" / "clip_01.mp4")
        for stage in ("before", "after")
    ][: 1 if alone else 2]
    size = clips[0].height
    crop = (40.0, 0.25 * size, 40.0 + 0.75 * 0.5 * size, 0.75 * size)
    line = ShownLine(points=((60.0, 0.5 * size), (160.0, 0.5 * size)), measured=True)
    moments = [0.5, 1.1, 0.6]  # forward, and back again
    shown = [
        PaneShown(s=s, crop=crop, lines=(line,) if k == 2 else (), label="12.3 ± 1.9°")
        for k, s in enumerate(moments)
    ]
    take = Take(
        focus=None,
        audio=None,
        duration_s=3.0,
        swings=tuple(SwingRef(clip_sha256="0" * 64, number=1) for _ in clips),
        shown=tuple(
            Shown(at_s=float(k), left=one, right=None if alone else one)
            for k, one in enumerate(shown)
        ),
    )
    panes = [PaneClip(path=clip.path, fps_declared=None, stage=Stage.BEFORE) for clip in clips]
    made = [p.copy() for p in passage_pictures(take, panes, frames=3, fps=1) if p is not None]
    left, top, right, bottom = (round(edge) for edge in crop)
    for k, s in enumerate(moments):
        for n, clip in enumerate(clips):
            frame = read_frame_nearest(clip, s).image[top:bottom, left:right]
            seen = cv2.resize(frame, (540, 720), interpolation=cv2.INTER_LINEAR)
            place = 270 if alone else 540 * n
            half = made[k][:, place : place + 540]
            if k < 2:
                away = np.abs(half[:, 4:-4].astype(int) - seen[:, 4:-4]).mean()
                assert away < 3
                others = [read_frame_nearest(clip, s + d).image for d in (-0.1, 0.1)]
                for other in others:
                    other = cv2.resize(other[top:bottom, left:right], (540, 720))
                    assert np.abs(half.astype(int) - other).mean() > away
    scale = 720 / (bottom - top)
    place = 270 if alone else 0
    x, y = round(place + 70.0 * scale), round((0.5 * size - top) * scale)
    assert made[2][y, x].tolist() == [240, 228, 66]
    assert made[1][y, x].tolist() != [240, 228, 66]
    if alone:
        assert (made[0][:, :270] == np.array([242, 237, 225])).all()


def test_swing_laid_over_the_other_is_half_seen_in_its_place():
    """Against both frames, moved and mixed here by slicing."""
    clips = [
        probe_clip(DEMO / "lesson" / stage / "face-on" / "clip_01.mp4")
        for stage in ("before", "after")
    ]
    size = clips[0].height
    crop = (0.0, 0.0, 0.75 * size, float(size))
    ghost = Ghost(s=1.0, scale=1.0, dx=30.0, dy=-20.0)
    shown = Shown(at_s=0, left=PaneShown(s=0.8, crop=crop, ghost=ghost), right=None)
    take = Take(
        focus=None,
        audio=None,
        duration_s=1.0,
        swings=(SwingRef(clip_sha256="0" * 64, number=1), SwingRef(clip_sha256="1" * 64, number=1)),
        shown=(shown,),
    )
    panes = [PaneClip(path=clip.path, fps_declared=None, stage=Stage.BEFORE) for clip in clips]
    made = next(p.copy() for p in passage_pictures(take, panes, frames=1, fps=1) if p is not None)
    mine = read_frame_nearest(clips[0], 0.8).image.astype(float)
    wide = mine.shape[1]
    over = read_frame_nearest(clips[1], 1.0).image.astype(float)
    mixed = mine.copy()
    mixed[: size - 20, 30:wide] = (mixed[: size - 20, 30:wide] + over[20:, : wide - 30]) / 2
    seen = cv2.resize(mixed.astype(np.uint8), (round(720 * wide / size), 720))
    narrow = min(seen.shape[1], 540)
    away = np.abs(made[:, 4 : narrow - 4].astype(int) - seen[:, 4 : narrow - 4]).mean()
    alone = cv2.resize(mine.astype(np.uint8), (round(720 * wide / size), 720))
    assert away < 3
    assert np.abs(made[:, 4 : narrow - 4].astype(int) - alone[:, 4 : narrow - 4]).mean() > 2 * away


def test_passage_about_no_measure_has_a_chapter_of_its_own(filmed):
    findings, _ = filmed
    take = Take(
        focus=None,
        audio=None,
        duration_s=2.0,
        swings=(SwingRef(clip_sha256="0" * 64, number=1),),
        shown=(),
        caption="First of all, well done.",
    )
    pane = PaneClip(path=DEMO / "none.mp4", fps_declared=None, stage=Stage.BEFORE)
    scenes = plan_scenes(findings, [TakeSource(take=take, folder=DEMO, panes=(pane,))])
    chapters = [scene.chapter for scene in scenes if scene.chapter]
    assert chapters == [
        "The lesson",
        "The whole swing",
        "In the coach's words",
        "Side bend at P6",
        "What next",
    ]
    # The focus measure still plays by itself.
    assert {"passage", "hold", "chart"} <= {scene.kind for scene in scenes}


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"swings": ()}, "which swings"),
        ({"shown": (Shown(at_s=0, left=PaneShown(s=0), right=None),)}, "what of each frame"),
        ({"duration_s": 0.0}, "longer than 0"),
    ],
)
def test_take_that_cannot_be_is_never_built(wrong, said):
    right = {
        "focus": None,
        "audio": None,
        "duration_s": 1.0,
        "swings": (SwingRef(clip_sha256="0" * 64, number=1),),
        "shown": (),
    }
    assert Take(**right)
    with pytest.raises(ValueError, match=said):
        Take(**(right | wrong))


def test_the_take_in_the_docs_is_one():
    text = (Path(__file__).parents[2] / "docs" / "pack.md").read_text(encoding="utf-8")
    example = text.split("```json\n")[1].split("```")[0]
    take = read_take(example)
    assert take.shown[0].left is not None
    assert take.shown[0].left.lines[0].measured


def test_take_with_a_path_in_its_sound_is_refused(spoken):
    _, _, takes = spoken
    with pytest.raises(ValueError, match="without a folder"):
        replace(takes[0].take, audio="../elsewhere.wav")


def test_take_that_is_no_take_is_said(tmp_path):
    (tmp_path / "x.json").write_text('{"focus": 0}', encoding="utf-8")
    with pytest.raises(PackError, match="cannot be read"):
        read_take(tmp_path / "x.json")


def test_sound_that_is_no_sound_is_said(tmp_path):
    (tmp_path / "x.webm").write_bytes(b"not a recording at all")
    with pytest.raises(PackError, match="no sound"):
        read_voice(tmp_path / "x.webm")


def test_hole_in_a_browsers_recording_keeps_the_words_in_time(tmp_path):
    """A recorder may write nothing where nobody speaks; here 0.7 s are missing in the middle."""
    rng = np.random.default_rng(1)
    path = tmp_path / "voice.webm"
    with av.open(str(path), "w", format="webm") as out:
        stream = out.add_stream("libopus", rate=RATE_HZ, layout="mono")
        for k in range(100):  # 20 ms each
            loud = 0.3 if k in (10, 60) else 0.0
            block = (loud * rng.normal(size=(1, 960))).astype(np.float32)
            frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
            frame.sample_rate = RATE_HZ
            frame.pts = 960 * k
            for packet in stream.encode(frame):
                if not 20 <= round(float(packet.pts * packet.time_base) / 0.02) < 55:
                    out.mux(packet)
        out.mux(stream.encode(None))
    sound = read_voice(path)[0]
    loud = np.flatnonzero(np.abs(sound) > 0.1) / RATE_HZ
    assert loud.min() == pytest.approx(0.2, abs=0.03)
    assert loud.max() == pytest.approx(1.22, abs=0.03)
