"""What the coach corrects about a clip, and what the page says when something fails."""

import html
import re

import pytest
from sqlalchemy import select

from lessonmark.errors import CannotMeasure
from lessonmark.lessons.clip_process import _settings
from lessonmark.lessons.jobs import clip_job
from lessonmark.lessons.record import Clip, Lesson, Swing
from lessonmark.media.probe import probe_clip
from lessonmark.words import Handedness, View


@pytest.fixture
def jobs(analyser, monkeypatch):
    """The jobs that the analysis was given."""
    given = []
    invented = analyser.analyse_clip

    def analyse(job, tell):
        given.append(job)
        return invented(job, tell)

    monkeypatch.setattr(analyser, "analyse_clip", analyse)
    return given


def clip_ids(record):
    with record.reading() as session:
        return list(session.scalars(select(Clip.id).order_by(Clip.filmed_at)))


def test_one_clip_is_measured_again_as_the_coach_says_it_was_filmed(coach, lesson, record, jobs):
    first, *_ = clip_ids(record)
    coach.post(f"/clips/{first}/filming", {"mirrored": "true", "fps_declared": "240"})
    assert coach.work() == 1
    assert [(job.mirrored, job.fps_declared) for job in jobs] == [(True, 240.0)]
    # What reaches the network's settings: a mirrored right-hander is seen as a left-hander.
    settings = _settings(jobs[0], View.FACE_ON, heavy=False)
    assert settings.seen_handedness is Handedness.LEFT
    assert settings.fps_declared == 240
    page = coach.get("/lessons/1").text
    row = re.search(rf'<tr data-clip="{first}".*?</tr>', page, re.S)[0]
    assert "mirrored</span>" in row
    assert "240 frames a second" in row
    # Said again the same: nothing to do. Taken back: measured once more.
    coach.post(f"/clips/{first}/filming", {"mirrored": "true", "fps_declared": "240"})
    assert coach.work() == 0
    coach.post(f"/clips/{first}/filming", {"fps_declared": ""})
    assert coach.work() == 1
    assert (jobs[-1].mirrored, jobs[-1].fps_declared) == (False, None)


@pytest.mark.parametrize("fps", ["0", "-1", "2001", "many"])
def test_an_impossible_frame_rate_changes_nothing(coach, lesson, record, jobs, fps):
    first, *_ = clip_ids(record)
    assert coach.post(f"/clips/{first}/filming", {"fps_declared": fps}).status_code == 422
    assert coach.work() == 0


def test_frames_are_cut_anew_where_the_file_lies_about_its_rate(lesson, record, analyser):
    first, *_ = clip_ids(record)

    def frame_times(fps):
        with record.writing() as session:
            session.get_one(Clip, first).fps_declared = fps
        with record.reading() as session:
            job = clip_job(record.files, session.get_one(Clip, first))
        return analyser.frame_pack(job).s, probe_clip(job.path, fps_declared=fps)

    as_filed, clip = frame_times(None)
    declared, slower = frame_times(2 * clip.fps_filmed)
    assert len(declared) == len(as_filed)
    # Twice the frames a second: half the time, by the definition of a rate.
    assert declared[-1] == pytest.approx(as_filed[-1] / 2, abs=1e-3)
    assert slower.fps_filmed == pytest.approx(2 * clip.fps_filmed)
    assert frame_times(None)[0] == as_filed


STICK = [[101.5, 300.0], [180.25, 304.5]]


def test_a_clicked_stick_reaches_every_clip_of_its_set_up(coach, lesson, record, jobs):
    first, *_ = clip_ids(record)
    with record.reading() as session:
        one = session.get_one(Clip, first)
        same = [c for c in one.lesson.clips if (c.view, c.stage) == (one.view, one.stage)]
        count, others = len(same), len(one.lesson.clips) - len(same)
    assert others > 0
    answer = coach.post_json(f"/clips/{first}/stick", {"ends": STICK})
    assert str(count) in answer.json()["said"] or count == 1
    assert coach.work() == count
    stick = ((101.5, 300.0), (180.25, 304.5))
    assert {job.stick for job in jobs} == {stick}
    assert _settings(jobs[0], View.FACE_ON, heavy=False).stick == stick
    # Its length on top: measured anew with it, and with the page's own numbers again.
    coach.post_json(f"/clips/{first}/stick", {"ends": STICK, "length_cm": 121.9})
    assert coach.work() == count
    assert {job.stick_cm for job in jobs[-count:]} == {121.9}
    assert _settings(jobs[-1], View.FACE_ON, heavy=False).stick_cm == 121.9
    with record.reading() as session:
        swing = session.scalars(select(Swing).where(Swing.clip_id == first)).first()
        assert 'value="121.9"' in coach.get(f"/swings/{swing.id}").text
    coach.post_json(f"/clips/{first}/stick", {"ends": STICK})
    assert coach.work() == count
    # Clicked again the same: nothing to do. Taken away: measured once more.
    assert coach.post_json(f"/clips/{first}/stick", {"ends": STICK}).json()["said"]
    assert coach.work() == 0
    coach.post_json(f"/clips/{first}/stick", {"ends": None})
    assert coach.work() == count
    assert jobs[-1].stick is None


@pytest.mark.parametrize(
    "ends", [[[1, 2]], [[1, 2], [3, "x"]], [[1, 2], [3, 1e9]], "here"], ids=str
)
def test_a_stick_that_cannot_be_is_refused(coach, lesson, record, jobs, ends):
    first, *_ = clip_ids(record)
    assert coach.post_json(f"/clips/{first}/stick", {"ends": ends}).status_code == 422
    assert coach.post_json("/clips/9999/stick", {"ends": STICK}).status_code == 404
    for length_cm in (0, 5000, "long"):
        more = {"ends": STICK, "length_cm": length_cm}
        assert coach.post_json(f"/clips/{first}/stick", more).status_code == 422
    assert coach.work() == 0


def test_view_and_stage_are_corrected_by_one_press(coach, lesson, record, jobs):
    first, *_ = clip_ids(record)
    coach.post(f"/clips/{first}/stage", {"stage": "drill"})
    assert coach.work() == 0  # the numbers stay
    coach.post(f"/clips/{first}/view", {"view": "down-the-line"})
    assert coach.work() == 1
    assert jobs[-1].view is View.DOWN_THE_LINE
    with record.reading() as session:
        clip = session.get_one(Clip, first)
        assert (clip.stage.value, clip.view.value) == ("drill", "down-the-line")


def test_a_clip_that_failed_is_said_at_the_top_and_tried_again(coach, lesson, record, analyser):
    first, *_ = clip_ids(record)
    analyser.broken.add("IMG_0")
    coach.post(f"/clips/{first}/again")
    coach.work()
    page = coach.get("/lessons/1").text
    assert "1 clip could not be measured and is left out." in page
    assert "the analysis of this clip stopped unexpectedly" in page
    assert "try this one again, or film another" in page
    analyser.broken.clear()
    coach.post(f"/clips/{first}/again")
    coach.work()
    assert "could not be measured and" not in coach.get("/lessons/1").text


FOCUS = {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]}


def test_a_lesson_that_cannot_be_judged_says_why_until_it_can(coach, lesson, record, tmp_path):
    first, *_ = clip_ids(record)
    with record.reading() as session:
        path = record.files.load(session.get_one(Clip, first).sha256)
    away = tmp_path / path.name
    path.rename(away)
    coach.post("/lessons/1/focus", FOCUS)
    page = html.unescape(coach.get("/lessons/1").text)
    # In the words of the thing itself: its file is missing, and where to get it back.
    assert "could not be judged: this clip's file is missing from the record's folder." in page
    assert "Restore the folder from a backup, or bring the clip in again." in page
    coach.work()
    assert "could not be judged" in coach.get("/lessons/1").text
    away.rename(path)
    coach.post("/lessons/1/judge")
    page = coach.get("/lessons/1").text
    assert "could not be judged" not in page
    assert 'class="verdict changed"' in page


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (CannotMeasure("there is no scale", do="film the feet"), "there is no scale"),
        (ZeroDivisionError("a / b"), "judging this lesson stopped unexpectedly"),
    ],
)
def test_the_background_says_on_the_page_what_it_could_not_judge(
    coach, lesson, record, analyser, monkeypatch, error, words
):
    def fail(job):
        raise error

    monkeypatch.setattr(analyser, "analyse_lesson", fail)
    with record.writing() as session:
        session.get_one(Lesson, 1).finding.stale = True
    coach.work()
    page = coach.get("/lessons/1").text
    assert f"could not be judged: {words}." in page
    assert "a / b" not in page
    monkeypatch.undo()
    coach.post("/lessons/1/judge")
    assert "could not be judged" not in coach.get("/lessons/1").text
