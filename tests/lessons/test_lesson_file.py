"""lesson.toml: what is accepted, and what is said about the rest."""

from __future__ import annotations

from pathlib import Path

import pytest

from lessonmark.errors import LessonFileError
from lessonmark.lessons.clip_settings import clip_settings
from lessonmark.lessons.lesson_file import read_lesson_file
from lessonmark.words import Handedness, Stage, View

GOOD = """
[lesson]
title = "Test lesson"
date = 2026-11-14

[player]
handedness = "left"
stature_cm = 172

[club]
name = "7-iron"
length_cm = 94

[[focus]]
measure = "side_bend@P6"
direction = "more"
smallest_worth = 4

[[clip]]
file = "a.mp4"
view = "face-on"
stage = "before"
"""


def write(folder: Path, text: str) -> Path:
    (folder / "lesson.toml").write_text(text, encoding="utf-8")
    return folder


def test_a_good_file_reads_into_the_shared_words(tmp_path):
    lesson = read_lesson_file(write(tmp_path, GOOD))
    assert lesson.player.handedness is Handedness.LEFT
    assert (lesson.clip[0].view, lesson.clip[0].stage) == (View.FACE_ON, Stage.BEFORE)
    assert str(lesson.focus[0].at) == "side_bend@P6"


def test_a_stick_holds_for_the_clips_of_its_view_and_stage(tmp_path):
    clips = "".join(
        f'[[clip]]\nfile = "{name}.mp4"\nview = "{view}"\nstage = "{stage}"\n{more}\n'
        for name, view, stage, more in (
            ("b", "face-on", "before", "stick = [[10, 900.5], [300, 905]]\nstick_cm = 121.9"),
            ("c", "face-on", "after", ""),
            ("d", "down-the-line", "before", ""),
        )
    )
    lesson = read_lesson_file(write(tmp_path, GOOD + clips))
    known = {entry.file: clip_settings(lesson, entry, heavy=False) for entry in lesson.clip}
    laid = ((10.0, 900.5), (300.0, 905.0))
    assert {name: one.stick for name, one in known.items()} == {
        "a.mp4": laid, "b.mp4": laid, "c.mp4": None, "d.mp4": None
    }  # fmt: skip
    assert [known[name].stick_cm for name in known] == [121.9, 121.9, None, None]


@pytest.mark.parametrize(
    "more",
    ["stick_cm = 120", "stick = [[1, 2], [3, 4]]\nstick_cm = 1", "stick_cm = nan"],
    ids=["without a stick", "too short", "no number"],
)
def test_a_length_that_no_stick_has_is_refused(tmp_path, more):
    clip = f'[[clip]]\nfile = "b.mp4"\nview = "face-on"\nstage = "before"\n{more}\n'
    with pytest.raises(LessonFileError, match=r"stick_cm"):
        read_lesson_file(write(tmp_path, GOOD + clip))


def test_the_demo_lesson_is_accepted():
    demo = Path(__file__).parents[2] / "demo" / "lesson"
    lesson = read_lesson_file(demo)
    assert all((demo / clip.file).is_file() for clip in lesson.clip)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("handedness", "handednes", "did you mean 'handedness'"),
        ("stature_cm = 172", "stature_cm = 1.72", "stature_cm = 1.72 cannot be right"),
        ("stature_cm = 172", "stature_cm = 320", "at most 230"),
        # Equipment Rules of The R&A and USGA, part 2.1c: no club is longer than 48 in (121.9 cm).
        ("length_cm = 94", "length_cm = 123", "at most 121.9"),
        # ... or shorter than 18 in (45.7 cm).
        ("length_cm = 94", "length_cm = 45", "at least 45.7"),
        ("face-on", "from-behind", "use one of 'face-on' or 'down-the-line'"),
        ('"before"', '"later"', "use one of 'before', 'drill', 'after'"),
        ('file = "a.mp4"', 'file = "../a.mp4"', "outside the lesson's folder"),
        ('file = "a.mp4"', 'file = "/etc/passwd"', "outside the lesson's folder"),
        ("side_bend@P6", "side_bend@P11", "'P11' is not a valid Position"),
        ("smallest_worth = 4", "smallest_worth = 0", "above 0"),
        ('title = "Test lesson"', "", "'title' is missing"),
        ("[player]", "[player", "not TOML"),
    ],
    ids=lambda value: str(value)[:24],
)
def test_what_is_wrong_is_said_with_the_remedy(tmp_path, old, new, said):
    with pytest.raises(LessonFileError) as caught:
        read_lesson_file(write(tmp_path, GOOD.replace(old, new)))
    assert said.lower() in str(caught.value).lower()
    assert "lesson.toml" in str(caught.value)


def test_a_folder_without_a_lesson_says_what_it_needs(tmp_path):
    with pytest.raises(LessonFileError, match=r"no lesson\.toml"):
        read_lesson_file(tmp_path)


def test_a_clip_listed_twice_is_refused(tmp_path):
    twice = GOOD + '[[clip]]\nfile = "a.mp4"\nview = "face-on"\nstage = "after"\n'
    with pytest.raises(LessonFileError, match=r"listed twice: a\.mp4"):
        read_lesson_file(write(tmp_path, twice))
