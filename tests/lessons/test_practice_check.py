"""Practice clips against a checkpoint: met, missed, and footage that cannot carry it."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from lessonmark.drills.checkpoint import Met
from lessonmark.drills.library import find_drill, read_library
from lessonmark.errors import RecordError, UnusableClip
from lessonmark.lessons import practice
from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.lessons.lesson_file import LessonFile
from lessonmark.lessons.practice import check_practice, keep_in_record, watch_folder
from lessonmark.lessons.record import AttemptOutcome, Lesson, Player
from lessonmark.lessons.store import open_record
from lessonmark.measures.measured import Measured, Refused
from lessonmark.measures.scale_value import Scale
from lessonmark.positions.times import SwingPositions
from lessonmark.words import Handedness, Stage, View

AT = datetime(2026, 11, 20, 18, tzinfo=UTC)
KEY = "pelvis_shift@P6"
DRILL = find_drill(read_library(), "noodle-behind-hip")
LESSON = LessonFile.model_validate(
    {
        "lesson": {"title": "t", "date": "2026-11-14"},
        "player": {"handedness": "right", "stature_cm": 180},
        "club": {"name": "7-iron", "length_cm": 95},
        "clip": [{"file": "a.mp4", "view": "face-on", "stage": "before"}],
    }
)


SCALE = Scale(px_per_cm=2.0, se_px_per_cm=0.02, sources=("stature",))


def make_clip(value, *, name="0.mp4", stage=Stage.PRACTICE, refused="", scale=SCALE):
    values = {} if refused else {KEY: Measured(value=value, se=0.3, systematic=0.1)}
    swing = SwingFinding(
        swing_id=f"{name}#1", clip=name, number=1, stage=stage, view=View.FACE_ON,
        positions=SwingPositions(), values=values,
        refused={KEY: Refused(reason=refused, do="film closer")} if refused else {},
        toward=1, ball=None, span_s=(0.0, 2.0),
    )  # fmt: skip
    return ClipFinding(
        clip=name, sha256="0", stage=stage, view=View.FACE_ON, fps_filmed=120, width=720,
        height=1280, duration_s=3, swings=(swing,), track="none", scale=scale, camera=None,
        handedness_seen=Handedness.RIGHT,
    )  # fmt: skip


BEFORE = [make_clip(v, name=f"b{i}", stage=Stage.BEFORE) for i, v in enumerate((9.8, 10, 10.2))]


@pytest.fixture
def check(monkeypatch, tmp_path):
    """Check clips whose analysis is given."""

    def run(*clips, **known):
        answers = {f"{i}.mp4": clip for i, clip in enumerate(clips)}

        def analyse(path, settings, **_):
            assert settings.stage is Stage.PRACTICE
            found = answers[path.name]
            if isinstance(found, Exception):
                raise found
            return found

        monkeypatch.setattr(practice, "analyse_clip", analyse)
        given = {"out": tmp_path / "out", "lesson_clips": BEFORE, "at": AT} | known
        return check_practice([Path(name) for name in answers], DRILL, LESSON, **given)

    return run


def test_clips_that_meet_the_checkpoint_are_told_and_logged(check, tmp_path):
    told = check(*[make_clip(v) for v in (5, 6, 5, 4, 9)])
    assert told.result.outcome is Met.MET
    assert told.lines[0].startswith("4 of 5 swings met it")
    assert "before the lesson 10.0" in told.lines[1]
    assert told.lines[2].startswith("Checkpoint met. Met 1 time in a row.")
    assert check(*[make_clip(v) for v in (5, 6, 5, 4, 9)]).streak == 2


def test_a_checkpoint_met_within_the_error_is_said_to_be_too_close(check):
    told = check(*[make_clip(7.2) for _ in range(5)])  # the bar is 7.5, an error of 0.3 each
    assert told.result.met == 5
    assert told.lines[2].startswith("By the best reading it is met, but too close")


def test_clips_that_fail_it_are_told_what_to_do(check):
    told = check(*[make_clip(v) for v in (10, 10, 9, 10, 6)])
    assert told.result.outcome is Met.NOT_YET
    assert told.lines[0].startswith("1 of 5 swings met it")
    assert DRILL.easier in told.lines[2]
    assert told.streak == 0


def test_too_few_swings_ask_for_more_and_are_not_logged(check, tmp_path):
    told = check(make_clip(5))
    assert told.lines[2] == "Too few to say: film 4 more swings."
    assert not (tmp_path / "out" / practice.LOG).exists()


@pytest.mark.parametrize(
    "bad",
    [
        make_clip(0, refused="the hips are hidden here"),
        UnusableClip("the player is in the picture for a moment only", do="film the whole swing"),
    ],
    ids=["refused", "unusable"],
)
def test_bad_footage_asks_for_better_footage_and_judges_nothing(check, bad, tmp_path):
    told = check(bad)
    assert told.film_again
    assert told.lines[0].startswith("This could not be measured")
    assert told.lines[1].startswith("Film it like this: film")
    assert "face-on" in told.lines[2]
    assert not (tmp_path / "out" / practice.LOG).exists()


def test_a_length_without_a_scale_is_never_held_against_centimetres(check):
    told = check(*[make_clip(5, scale=None)] * 5)
    assert told.film_again
    assert "no scale" in told.lines[0]


def test_a_file_that_is_no_video_is_told_too(tmp_path):
    """The real way in: nothing is stubbed."""
    file = tmp_path / "swing.mp4"
    file.write_text("no video")
    told = check_practice([file], DRILL, LESSON, out=tmp_path / "out", at=AT)
    assert told.film_again
    assert file.read_text() == "no video"


def test_without_the_lessons_swings_a_bar_against_before_is_refused(check):
    told = check(*[make_clip(5)] * 5, lesson_clips=())
    assert told.film_again
    assert "too few" in told.lines[0]


def test_a_watched_folder_gives_each_video_once_it_has_stopped_growing(tmp_path):
    (tmp_path / "known.mp4").write_bytes(b"1")
    growing, done = tmp_path / "new.MOV", tmp_path / "notes.txt"
    growing.write_bytes(b"1")
    done.write_text("no video")
    looks = iter([False, False, False, False, True])
    slept = []

    def sleep(s):
        slept.append(s)
        if len(slept) == 1:
            growing.write_bytes(b"12")

    found = list(
        watch_folder(
            tmp_path, known=frozenset({"known.mp4"}), stop=lambda: next(looks), sleep=sleep
        )
    )
    assert found == [growing]
    assert len(slept) == 4


def test_the_attempt_is_kept_with_a_lesson_of_the_record_too(check, tmp_path):
    record = open_record(tmp_path / "record")
    with record.writing() as session:
        player = Player(name="Wilma Testerly")
        player.lessons = [Lesson(started_at=AT)]
        session.add(player)
    met = check(*[make_clip(v) for v in (5, 6, 5, 4, 9)])
    missed = check(*[make_clip(v) for v in (10, 11, 12, 13, 9)])
    few = check(make_clip(5))
    for told, kept in ((met, True), (missed, True), (few, False)):
        assert keep_in_record(tmp_path / "record", 1, DRILL, told, at=AT) is kept
    with record.reading() as session:
        (one,) = session.get_one(Lesson, 1).attempts  # the newest stands for the drill
        assert (one.drill, one.outcome) == (DRILL.id, AttemptOutcome.NOT_MET)
        assert (one.swings, one.met) == (5, missed.result.met)
    with pytest.raises(RecordError):
        keep_in_record(tmp_path / "record", 404, DRILL, met, at=AT)
    record.close()
