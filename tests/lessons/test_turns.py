"""Nothing that waits is lost, nothing is measured twice, and the coach's lesson comes first.

On SQLite and on a real PostgreSQL server, as `record` is.
"""

import os
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select, update

from lessonmark.errors import UnusableClip
from lessonmark.lessons.arrivals import measure_anew
from lessonmark.lessons.clip_process import AnalysisEnded
from lessonmark.lessons.record import Clip, ClipState, Lesson
from lessonmark.lessons.store import take_up_work
from lessonmark.lessons.turns import (
    LEASE,
    MOST_TRIES,
    Turn,
    give_back,
    held,
    is_news,
    new_holder,
    put_on_screen,
    release_dead,
    renew,
    take_turn,
    withdraw,
)
from lessonmark.lessons.work import TELL_EVERY_S, Workshop

pytestmark = pytest.mark.parametrize("database", ["sqlite", "postgres"], indirect=True)
AT = datetime(2026, 6, 1, 12, tzinfo=UTC)


@pytest.fixture
def waiting(record, add_player):
    """Two lessons of two clips each that wait; gives the clips' ids, the older lesson first."""
    add_player(lessons=2)
    with record.writing() as session:
        session.execute(update(Clip).values(state=ClipState.WAITING, finding=None))
        return session.scalars(select(Clip.id).order_by(Clip.lesson_id, Clip.filmed_at)).all()


def take(record, *, at=AT, holder=None):
    with record.writing() as session:
        return take_turn(session, holder or new_holder(), at=at)


def state(record, clip_id):
    with record.reading() as session:
        clip = session.get_one(Clip, clip_id)
        return clip.state, clip.tries, clip.taken_by


def test_the_newest_lesson_comes_first_in_the_order_of_filming(record, waiting):
    assert [take(record).clip_id for _ in range(4)] == [
        waiting[2],
        waiting[3],
        waiting[0],
        waiting[1],
    ]
    assert take(record) is None


def test_the_lesson_on_the_screen_comes_first_while_it_is_there(record, waiting):
    with record.writing() as session:
        put_on_screen(session, session.get_one(Clip, waiting[0]).lesson_id, at=AT)
    assert take(record, at=AT + timedelta(seconds=30)).clip_id == waiting[0]
    assert take(record, at=AT + timedelta(minutes=5)).clip_id == waiting[2]


def test_a_page_that_stays_open_is_not_written_every_second(record, waiting):
    with record.writing() as session:
        put_on_screen(session, session.get_one(Clip, waiting[0]).lesson_id, at=AT)
    with record.reading() as session:
        lesson = session.get_one(Clip, waiting[0]).lesson
        assert not is_news(lesson, at=AT + timedelta(seconds=1))
        assert is_news(lesson, at=AT + timedelta(seconds=6))
        assert is_news(session.get_one(Clip, waiting[2]).lesson, at=AT)


def test_what_was_never_measured_comes_before_what_is_measured_again(record, waiting):
    with record.writing() as session:
        for clip_id in waiting[2:]:
            session.get_one(Clip, clip_id).finding = "{}"
    assert take(record).clip_id == waiting[0]


def test_two_workers_never_hold_the_same_clip(record, waiting):
    got, errors = [], []

    def work():
        try:
            while (turn := take(record)) is not None:
                got.append(turn.clip_id)
        except Exception as err:  # shown by the assertion below
            errors.append(err)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    assert sorted(got) == sorted(waiting)


def test_a_clip_whose_worker_fell_silent_is_taken_up_by_another(record, waiting):
    first = take(record)
    with record.writing() as session:
        assert release_dead(session, at=AT + LEASE / 2) == 0
    later = AT + LEASE + timedelta(seconds=1)
    with record.writing() as session:
        assert release_dead(session, at=later) == 1
    second = take(record, at=later)
    assert second.clip_id == first.clip_id
    with record.writing() as session:
        assert held(session, first) is None  # whatever it still finds is not written
        assert held(session, second) is not None
        assert not renew(session, first, at=later)
        assert renew(session, second, at=later, progress=0.5)


def test_a_renewed_turn_outlives_its_first_term(record, waiting):
    turn = take(record)
    with record.writing() as session:
        assert renew(session, turn, at=AT + LEASE / 2)
        assert release_dead(session, at=AT + LEASE * 1.2) == 0


def test_a_process_that_was_killed_is_known_to_be_dead_at_the_next_start(record, waiting):
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    machine, _, rest = new_holder().partition(":")
    holder = f"{machine}:{child.pid}:{rest.rpartition(':')[2]}"
    turn = take(record, at=datetime.now(UTC), holder=holder)
    mine = take(record, at=datetime.now(UTC))
    assert take_up_work(record) == 0  # both are alive
    child.kill()
    child.communicate()
    assert take_up_work(record) == 1
    assert state(record, turn.clip_id)[0] is ClipState.WAITING
    assert state(record, mine.clip_id)[0] is ClipState.WORKING


def test_a_worker_of_another_machine_is_waited_for(record, waiting):
    turn = take(record, at=datetime.now(UTC), holder=f"elsewhere-1f:{os.getpid()}:abc")
    assert take_up_work(record) == 0
    assert state(record, turn.clip_id)[0] is ClipState.WORKING


def test_a_clip_that_ends_its_worker_every_time_is_given_up_with_a_plain_word(record, waiting):
    for n in range(MOST_TRIES):
        at = AT + n * (LEASE + timedelta(seconds=1))
        turn = take(record, at=at)
        assert turn.clip_id == waiting[2]
    with record.writing() as session:
        release_dead(session, at=AT + 10 * LEASE)
    with record.reading() as session:
        clip = session.get_one(Clip, waiting[2])
        assert clip.state is ClipState.FAILED
        assert "ended without an answer, 3 times" in clip.problem
        assert "try again" in clip.problem_do
    with record.writing() as session:  # the coach may still try
        measure_anew(session, waiting[2])
    assert take(record, at=AT + 10 * LEASE).clip_id == waiting[2]


def test_a_program_closed_in_good_order_costs_no_try(record, waiting):
    turn = take(record)
    with record.writing() as session:
        assert give_back(session, turn, counts=False)
    assert state(record, turn.clip_id) == (ClipState.WAITING, 0, "")
    with record.writing() as session:
        assert not give_back(session, turn, counts=False)


def test_a_withdrawn_clip_keeps_its_old_numbers_or_says_that_it_was_stopped(record, waiting):
    with record.writing() as session:
        session.get_one(Clip, waiting[3]).finding = "{}"
    turn = take(record)
    with record.writing() as session:
        for clip_id in waiting[2:]:
            withdraw(session, session.get_one(Clip, clip_id))
    assert state(record, waiting[2])[0] is ClipState.FAILED
    assert state(record, waiting[3])[0] is ClipState.DONE
    with record.writing() as session:
        assert held(session, turn) is None


class Scripted:
    """Stands in for the analysis: does what each test says, and counts the calls."""

    def __init__(self, act):
        self.act = act
        self.calls = []

    def analyse_clip(self, job, tell):
        self.calls.append(job.clip)
        return self.act(job, tell)


def refuse(job, tell):
    raise UnusableClip("nobody in it", do="film again")


def test_a_clip_that_cannot_be_used_is_not_tried_again(record, waiting):
    analyser = Scripted(refuse)
    assert Workshop(record, analyser).work_through() == 4
    assert len(analyser.calls) == 4
    assert {state(record, clip_id)[0] for clip_id in waiting} == {ClipState.FAILED}


def test_a_clip_whose_process_dies_is_tried_as_often_as_the_limit_says(record, waiting):
    def die(job, tell):
        raise AnalysisEnded("the analysis of this clip was ended from outside")

    analyser = Scripted(die)
    Workshop(record, analyser).work_through()
    assert len(analyser.calls) == 4 * MOST_TRIES
    assert {state(record, clip_id)[0] for clip_id in waiting} == {ClipState.FAILED}


def test_a_clip_that_is_withdrawn_meanwhile_is_let_go(record, waiting):
    def be_withdrawn(job, tell):
        tell(0.1)
        with record.writing() as session:
            for clip_id in waiting:
                withdraw(session, session.get_one(Clip, clip_id))
        time.sleep(TELL_EVERY_S)
        tell(0.5)
        raise AssertionError("the analysis went on")

    analyser = Scripted(be_withdrawn)
    assert Workshop(record, analyser).work_through() == 1
    assert len(analyser.calls) == 1
    assert {state(record, clip_id)[0] for clip_id in waiting} == {ClipState.FAILED}


def test_clips_are_measured_at_once_and_closing_puts_the_rest_back(record, waiting):
    both, go_on = threading.Barrier(3, timeout=30), threading.Event()

    def wait_for_the_other(job, tell):
        both.wait()
        go_on.wait(30)
        raise UnusableClip("nobody in it", do="film again")

    workshop = Workshop(record, Scripted(wait_for_the_other), workers=2)
    workshop.start()
    both.wait()  # passes only if two clips are under way at the same time
    workshop.stop(timeout_s=0.2)
    states = [state(record, clip_id) for clip_id in waiting]
    assert states == [(ClipState.WAITING, 0, "")] * 4
    go_on.set()
    workshop.stop(timeout_s=30)
    assert [state(record, clip_id)[0] for clip_id in waiting] == [ClipState.WAITING] * 4


def test_a_turn_names_its_clip_and_lesson(record, waiting):
    turn = take(record, holder="me")
    with record.reading() as session:
        lesson_id = session.scalars(select(Lesson.id).order_by(Lesson.id.desc())).first()
    assert turn == Turn(clip_id=waiting[2], lesson_id=lesson_id, holder="me")
