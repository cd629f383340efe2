"""A coach can stop a clip, and an upgrade changes no sheet without being asked to."""

import re
from dataclasses import replace
from datetime import date

import pytest
from sqlalchemy import select

from lessonmark.lessons import corrections, jobs, versions
from lessonmark.lessons.former import former_findings, read_former
from lessonmark.lessons.jobs import read_swing
from lessonmark.lessons.made_with import MadeWith
from lessonmark.lessons.record import Clip, ClipState, Lesson, LessonFinding, Swing
from lessonmark.lessons.remeasure import archive_state, ask_anew
from lessonmark.web import app, serve
from lessonmark.web.settings import WebSettings
from lessonmark.words import Position

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
    monkeypatch.setattr(versions, "clip_version", lambda *, heavy=False: now["is"].version)
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


LIGHT = MadeWith(software="0.2.0", code="c" * 64, networks={"l": "1"}, libraries={}, settings={})
LARGE = replace(LIGHT, networks={"h": "2"}, settings={"heavy": True})


@pytest.fixture
def measured_by(coach, lesson, analyser, monkeypatch):
    """Have the lesson measured with a network; the program knows both."""
    measure = analyser.analyse_clip
    for module in (versions, corrections):
        monkeypatch.setattr(
            module, "clip_version", lambda *, heavy=False: (LARGE if heavy else LIGHT).version
        )

    def run(made_with):
        monkeypatch.setattr(
            analyser,
            "analyse_clip",
            lambda job, tell: replace(measure(job, tell), made_with=made_with),
        )
        for clip_id in range(1, 7):
            coach.post(f"/clips/{clip_id}/again")
        coach.work()
        return coach

    return run


OFFER = "/lessons/1/again"


@pytest.mark.parametrize("made_with", [LIGHT, LARGE], ids=["smaller", "larger"])
def test_a_record_of_either_network_is_not_old_where_the_smaller_measures(measured_by, made_with):
    page = measured_by(made_with).get("/lessons/1").text
    assert f"Measured with version {made_with.version}." in page
    assert OFFER not in page


def test_what_the_larger_network_measured_is_not_old_where_it_measures(measured_by, visit):
    measured_by(LARGE)
    with visit(WebSettings(heavy=True)) as heavy:
        assert OFFER not in heavy.get("/lessons/1").text


def test_what_the_smaller_measured_can_be_measured_by_the_larger(measured_by, visit, record):
    measured_by(LIGHT)
    with visit(WebSettings(heavy=True)) as heavy:
        page = heavy.get("/lessons/1").text
        assert "measures with the larger network now" in page
        assert "The program has changed since." not in page
        heavy.post(OFFER)
    with record.reading() as session:
        states = set(session.scalars(select(Clip.state)))
    assert states == {ClipState.WAITING}


def test_measuring_the_archive_again_does_not_bring_it_back_to_the_smaller(measured_by, record):
    measured_by(LARGE)
    since = date(2000, 1, 1)
    assert ask_anew(record, since) == 0
    assert archive_state(record, since).current == 6
    measured_by(LIGHT)
    assert ask_anew(record, since) == 0
    assert ask_anew(record, since, heavy=True) == 6


def test_a_correction_says_which_network_tracked_what_it_moves(measured_by, record, coach):
    for made_with in (LARGE, LIGHT):
        measured_by(made_with)
        with record.reading() as session:
            swing = session.get_one(Clip, 1).swings[0]
            key, at_s = swing.id, read_swing(swing).positions.found[Position.P6].time.s
        answer = coach.post_json(f"/swings/{key}/position", {"position": "P6", "s": at_s + 0.004})
        assert answer.status_code == 200
        with record.reading() as session:
            assert read_swing(session.get_one(Swing, key)).corrected_with == made_with.version


def test_serving_with_the_larger_network_tells_the_cluster_so(record, analyser, monkeypatch):
    told = []
    monkeypatch.setenv("LESSONMARK_SCHEDULER", "tcp://127.0.0.1:9")
    monkeypatch.setattr(app, "ClusterDriver", lambda record, address, work: told.append(work))
    for heavy in (True, False):
        app.create_app(record, analyser, WebSettings(heavy=heavy), work=False)
    assert [one.heavy for one in told] == [True, False]


def test_the_command_passes_the_larger_network_on(tmp_path, monkeypatch):
    told = []

    def end_at_once(server, sockets):
        told.append(server.config.app.state.desk.settings.heavy)
        for one in sockets:
            one.close()

    monkeypatch.setattr(serve.uvicorn.Server, "run", end_at_once)
    for heavy in (True, False):
        serve.serve(folder=tmp_path, port=0, browser=False, heavy=heavy, tell=lambda _: None)
    assert told == [True, False]
