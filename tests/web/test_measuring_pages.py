"""A coach can stop a clip, and an upgrade changes no sheet without being asked to."""

import re
from dataclasses import replace

import pytest
from sqlalchemy import select

from lessonmark.lessons import former, jobs
from lessonmark.lessons.former import former_findings, read_former
from lessonmark.lessons.made_with import MadeWith
from lessonmark.lessons.record import Clip, ClipState, Lesson, LessonFinding

OLD = MadeWith(
    software="0.1.0", code="a" * 64, networks={}, libraries={}, settings={"stature_cm": 170.0}
)
NEW = replace(OLD, software="0.2.0", code="b" * 64)


@pytest.fixture
def dated(coach, lesson, analyser, monkeypatch):
    """A measured lesson with a focus, all of it of version OLD, in a program that is NEW."""
    measure = analyser.analyse_clip
    now = {"is": OLD}

    def with_version(job, tell):
        return replace(measure(job, tell), made_with=now["is"])

    monkeypatch.setattr(analyser, "analyse_clip", with_version)
    monkeypatch.setattr(former, "clip_version", lambda heavy=False: now["is"].version)
    for clip_id in range(1, 7):
        coach.post(f"/clips/{clip_id}/again")
    coach.work()
    coach.post(
        "/lessons/1/focus",
        {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]},
    )
    coach.work()
    now["is"] = NEW
    return coach


def sheet(record):
    with record.reading() as session:
        return session.get_one(LessonFinding, 1).findings


def test_an_old_lesson_says_so_and_changes_nothing_by_itself(dated, record):
    before = sheet(record)
    page = dated.get("/lessons/1").text
    assert f"Measured with version {OLD.version}." in page
    assert "The program has changed since." in page
    dated.work()
    assert sheet(record) == before


def test_measured_again_the_old_sheet_stays_and_can_be_read(dated, record, analyser):
    analyser.bends |= {f"IMG_{n}": 6.0 for n in range(6)}  # the new version sees no change
    words = re.search(r'class="sentence">([^<]+)<', dated.get("/lessons/1").text)[1]
    dated.post("/lessons/1/again")
    dated.work()
    page = dated.get("/lessons/1").text
    assert f"Measured with version {NEW.version}." in page
    assert "The program has changed since." not in page
    assert words not in page
    links = re.findall(r"/lessons/1/earlier/\d+", page)
    earlier = dated.get(links[-1])  # before it, the fixture measured without versions
    assert earlier.status_code == 200
    assert words in earlier.text, links
    assert OLD.version in earlier.text
    assert dated.get("/lessons/1/earlier/9").status_code == 404


def test_the_earlier_result_is_kept_once_with_every_number(dated, record):
    with record.reading() as session:
        lesson = session.get_one(Lesson, 1)
        before = jobs.whole_findings(lesson)
    dated.post("/lessons/1/again")
    dated.work()
    with record.reading() as session:
        kept = former_findings(session, 1)
        assert len([one for one in kept if OLD.version in one.measured_with]) == 1
        assert read_former(next(o for o in kept if OLD.version in o.measured_with)) == before
        assert {clip.measured_with for clip in session.scalars(select(Clip))} == {NEW.version}


def test_asked_twice_nothing_is_measured_twice(dated, analyser, monkeypatch):
    dated.post("/lessons/1/again")
    assert dated.work() == 6
    dated.post("/lessons/1/again")
    assert dated.work() == 0


def test_a_waiting_clip_can_be_stopped_and_tried_again(coach, record, clips):
    player = coach.add_player()
    clip = coach.send_clip(player, clips[0].read_bytes()).json()["clip"]
    assert f'action="/clips/{clip}/stop"' in coach.get("/lessons/1").text
    coach.post(f"/clips/{clip}/stop")
    assert coach.work() == 0
    assert "you stopped the measuring of this clip" in coach.get("/lessons/1").text
    coach.post(f"/clips/{clip}/again")
    assert coach.work() == 1


def test_an_open_page_puts_its_lesson_first(coach, record, clips):
    player = coach.add_player()
    for n, day in enumerate((1, 40)):
        coach.send_clip(
            player, clips[n].read_bytes(), modified_ms=1_777_888_800_000 + day * 86_400_000
        )
    coach.get("/lessons/1")
    coach.app.state.desk.workshop.work_on_next()
    with record.reading() as session:
        states = {one.lesson_id: one.state for one in session.scalars(select(Clip))}
    assert states == {1: ClipState.DONE, 2: ClipState.WAITING}
