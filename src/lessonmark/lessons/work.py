"""Analyse waiting clips in the background, as many at once as there are cores, and judge lessons.

The queue is the record itself (`turns.py`): a clip that waits says so in its row, so that a killed
program takes up where it stopped, and several programs may work on one record.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from sqlalchemy import exists, select

from lessonmark.errors import LessonmarkError, RecordError
from lessonmark.language import say
from lessonmark.lessons.analyser import Analyser
from lessonmark.lessons.clip_process import AnalysisEnded
from lessonmark.lessons.corrections import measured_now
from lessonmark.lessons.former import keep_former
from lessonmark.lessons.jobs import (
    clip_job,
    lesson_job,
    write_clip_finding,
    write_lesson_findings,
    write_swing,
)
from lessonmark.lessons.record import Clip, ClipState, Lesson, LessonFinding
from lessonmark.lessons.store import Record
from lessonmark.lessons.threads import core_count
from lessonmark.lessons.turns import LEASE, Turn, give_back, held, new_holder, renew, take_turn
from lessonmark.lessons.under_way import at_work

__all__ = ["Workshop", "judge_lesson", "tell_trouble"]

TELL_EVERY_S = 0.5  # progress is a write to the database: not more often than the eye follows
LOOK_EVERY_S = 2.0  # for clips that another window brought in
RENEWALS = 6  # in one lease: a machine may sleep through a few of them
log = logging.getLogger(__name__)


class TakenAway(Exception):
    """The clip under way is no longer this worker's."""


class Workshop:
    """Threads that work through the record's queue.

    Parameters
    ----------
    workers : clips at once; None for one a core.
    lease : how long a clip is this program's without a sign of life.
    """

    def __init__(
        self,
        record: Record,
        analyser: Analyser,
        *,
        workers: int | None = None,
        lease: timedelta = LEASE,
    ) -> None:
        self._record = record
        self._analyser = analyser
        self._workers = workers or core_count()
        self._holder = new_holder()
        self._lease = lease
        self._wake = threading.Condition()
        self._stopping = threading.Event()
        self._judging = threading.Lock()  # two threads must not cut one lesson's pictures
        self._lock = threading.Lock()
        self._open: set[Turn] = set()
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Begin; safe to call twice."""
        if self._threads:
            return
        self.stay_alive()
        for n in range(self._workers):
            self._begin(self._run, f"workshop-{n}")

    def stay_alive(self) -> None:
        """Begin to renew the turns that this program holds."""
        self._begin(self._renew_all, "workshop-renewal")

    def _begin(self, target: Callable[[], None], name: str) -> None:
        thread = threading.Thread(target=target, name=name, daemon=True)
        self._threads.append(thread)
        thread.start()

    def wake(self) -> None:
        """Say that there may be something to do."""
        with self._wake:
            self._wake.notify_all()

    def stop(self, timeout_s: float = 5.0) -> None:
        """Stop after the step under way; what is not finished then goes back to the queue."""
        self._stopping.set()
        self.wake()
        until = time.monotonic() + timeout_s
        for thread in self._threads:
            thread.join(max(0.0, until - time.monotonic()))
        with self._lock:
            left = list(self._open)
        for turn in left:
            self._give_back(turn, counts=False)

    def work_through(self) -> int:
        """Do all that waits, here and now, one after the other; gives how many clips there were."""
        count = 0
        while not self._stopping.is_set() and self.work_on_next():
            count += 1
        while not self._stopping.is_set() and self._judge_next():
            pass
        return count

    def step(self) -> bool:
        """Do the next thing that is to do; False where there is nothing."""
        return self.work_on_next() or self._judge_next()

    def work_on_next(self) -> bool:
        """Analyse the next clip and judge its lesson; False where none waits."""
        with self._record.writing() as session:
            turn = take_turn(session, self._holder, at=datetime.now(UTC), lease=self._lease)
        if turn is None:
            return False
        with self._lock:
            self._open.add(turn)
        try:
            self._analyse(turn)
        except RecordError:  # a full or locked disk: the clip waits for better times
            self._give_back(turn, counts=False)
            raise
        finally:
            with self._lock:
                self._open.discard(turn)
        self._judge(turn.lesson_id, pictures=not self._more_of(turn.lesson_id))
        self._make_frames(turn.clip_id)
        return True

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                busy = self.step()
            except RecordError as err:  # a full or locked disk: the rows stay as they were
                log.error("the background work pauses: %s", err)
                busy = False
            if not busy:
                with self._wake:
                    if not self._stopping.is_set():
                        self._wake.wait(LOOK_EVERY_S)

    def _renew_all(self) -> None:
        """Say now and then that this program is alive, whatever its clips are at."""
        while not self._stopping.wait(self._lease.total_seconds() / RENEWALS):
            with self._lock:
                turns = list(self._open)
            try:
                for turn in turns:
                    with self._record.writing() as session:
                        renew(session, turn, at=datetime.now(UTC), lease=self._lease)
            except RecordError as err:
                log.error("the background work could not say that it goes on: %s", err)

    def _analyse(self, turn: Turn) -> None:
        with self._record.reading() as session:
            clip = session.get(Clip, turn.clip_id)
            if clip is None:
                return
            sha256 = clip.sha256
        with at_work(self._record, media=[sha256]):
            self._analyse_clip(turn)

    def _analyse_clip(self, turn: Turn) -> None:
        try:
            with self._record.reading() as session:
                clip = session.get(Clip, turn.clip_id)
                if clip is None:
                    return
                job = clip_job(self._record.files, clip, pictures=True)
            finding = self._analyser.analyse_clip(job, _Teller(self._record, turn, self._lease))
        except TakenAway:
            return
        except AnalysisEnded:
            self._give_back(turn, counts=True)
            return
        except LessonmarkError as err:
            self._fail(turn, str(err).rstrip(".") if not err.do else err.what, err.do)
            return
        except Exception:  # the clip loop: the other clips of the lesson go on
            if not self._is_held(turn):  # erased: its folder went away underneath
                return
            log.exception("a clip could not be analysed")
            self._fail(
                turn,
                say("the analysis of this clip stopped unexpectedly"),
                say("the other clips went on; try this one again, or film another"),
            )
            return
        self._record.files.publish_derived(job.sha256)
        with self._record.reading() as session, session.no_autoflush:
            # Slow, so before anything is written: swings that the coach corrected are measured
            # again on the new track.
            clip = session.get(Clip, turn.clip_id)
            if clip is None:
                return
            write_clip_finding(session, clip, finding)
            again = {
                swing.number: measured_now(self._record.files, self._analyser, swing)
                for swing in clip.swings
            }
        with self._record.writing() as session:
            there = held(session, turn)
            if there is None:
                return  # erased, withdrawn, or another worker's by now: nothing is written twice
            if there.view_by_hand and there.view is not finding.view:
                give_back(session, turn, counts=False)
                return  # the coach corrected the view meanwhile: it waits for another turn
            keep_former(there.lesson, finding)
            write_clip_finding(session, there, finding)
            for swing in there.swings:
                write_swing(swing, again[swing.number])

    def _make_frames(self, clip_id: int) -> None:
        """Make the viewer's frames ready, so that the coach does not wait for them."""
        try:
            with self._record.reading() as session:
                clip = session.get(Clip, clip_id)
                if clip is None or clip.state is not ClipState.DONE:
                    return
                sha256 = clip.sha256
            with at_work(self._record, media=[sha256]):
                with self._record.reading() as session:
                    clip = session.get(Clip, clip_id)
                    if clip is None:
                        return
                    job = clip_job(self._record.files, clip, pictures=True)
                self._analyser.frame_pack(job)
                self._record.files.publish_frames(sha256)
        except (LessonmarkError, OSError) as err:
            log.warning("the frames of a clip are not ready yet: %s", err)

    def _is_held(self, turn: Turn) -> bool:
        with self._record.reading() as session:
            return held(session, turn) is not None

    def _fail(self, turn: Turn, what: str, do: str) -> None:
        with self._record.writing() as session:
            clip = held(session, turn)
            if clip is not None:
                clip.state, clip.problem, clip.problem_do = ClipState.FAILED, what, do
                clip.taken_by, clip.taken_until, clip.tries = "", None, 0

    def _give_back(self, turn: Turn, *, counts: bool) -> None:
        try:
            with self._record.writing() as session:
                give_back(session, turn, counts=counts)
        except RecordError as err:  # its time runs out by itself
            log.error("a clip could not be put back in the queue: %s", err)

    def _more_of(self, lesson_id: int) -> bool:
        with self._record.reading() as session:
            waits = exists().where(
                Clip.lesson_id == lesson_id,
                Clip.state.in_((ClipState.WAITING, ClipState.WORKING)),
            )
            return bool(session.scalar(select(waits)))

    def _judge_next(self) -> bool:
        with self._record.reading() as session:
            lesson_id = session.scalar(
                select(LessonFinding.lesson_id).where(LessonFinding.stale).limit(1)
            )
        if lesson_id is None:
            return False
        return self._judge(lesson_id, pictures=True)

    def _judge(self, lesson_id: int, *, pictures: bool) -> bool:
        """Judge a lesson; gives whether that came off."""
        try:
            with self._judging:
                return judge_lesson(self._record, self._analyser, lesson_id, pictures=pictures)
        except LessonmarkError as err:
            log.error("a lesson could not be judged: %s", err)
            tell_trouble(self._record, lesson_id, err)
        except Exception as err:  # one lesson's trouble must not stop the others
            log.exception("a lesson could not be judged")
            tell_trouble(self._record, lesson_id, err)
        return False


def judge_lesson(record: Record, analyser: Analyser, lesson_id: int, *, pictures: bool) -> bool:
    """Judge a lesson from its measured swings and keep the findings.

    Where something was changed meanwhile, they are kept as stale and made again soon.

    Returns
    -------
    False where there is nothing to judge yet.

    Raises
    ------
    LessonmarkError : the lesson cannot be judged.
    """
    with record.reading() as session:
        lesson = session.get(Lesson, lesson_id)
        if lesson is None or lesson.player.erasing_since is not None:
            return False
        uid, media = lesson.uid, {clip.sha256 for clip in lesson.clips}
    with at_work(record, lessons=[uid], media=media):
        return _judge_at_work(record, analyser, lesson_id, pictures=pictures)


def _judge_at_work(record: Record, analyser: Analyser, lesson_id: int, *, pictures: bool) -> bool:
    with record.reading() as session:
        lesson = session.get(Lesson, lesson_id)
        if lesson is None or lesson.player.erasing_since is not None:
            return False
        uid, job = lesson.uid, lesson_job(record.files, lesson)
        media = [clip.sha256 for clip in lesson.clips if clip.finding is not None]
    if not job.clips:
        return False
    findings = analyser.analyse_lesson(job)
    if _is_going(record, lesson_id):
        return False
    if pictures:
        for sha256 in media:
            record.files.load(sha256)
        findings = analyser.make_pictures(job, findings)
    record.files.publish_lesson(uid)  # first the pictures, then the rows that name them
    with record.writing() as session:
        lesson = session.get(Lesson, lesson_id)
        if lesson is None or lesson.player.erasing_since is not None:
            return False
        changed = lesson_job(record.files, lesson) != job
        keep_former(lesson, None)
        write_lesson_findings(lesson, findings)
        lesson.problem, lesson.problem_do = "", ""
        if lesson.finding is not None and (changed or not pictures):
            lesson.finding.stale = True
    return True


def _is_going(record: Record, lesson_id: int) -> bool:
    with record.reading() as session:
        lesson = session.get(Lesson, lesson_id)
        return lesson is None or lesson.player.erasing_since is not None


def tell_trouble(record: Record, lesson_id: int, err: Exception) -> None:
    """Keep with a lesson why it could not be judged; its page says so until it could."""
    with record.writing() as session:
        lesson = session.get(Lesson, lesson_id)
        if lesson is None:
            return
        if isinstance(err, LessonmarkError):
            lesson.problem, lesson.problem_do = err.what, err.do
        else:
            lesson.problem = say("judging this lesson stopped unexpectedly")
            lesson.problem_do = say("its swings are kept; try again, or choose another focus")
        if lesson.finding is not None:
            lesson.finding.stale = False  # or it would be tried again for ever


class _Teller:
    """Write a clip's progress down, now and then, and find out whether it is still wanted."""

    def __init__(self, record: Record, turn: Turn, lease: timedelta) -> None:
        self._record = record
        self._turn = turn
        self._lease = lease
        self._told_at = 0.0

    def __call__(self, share: float) -> None:
        now = time.monotonic()
        if now - self._told_at < TELL_EVERY_S:
            return
        self._told_at = now
        with self._record.writing() as session:
            at = datetime.now(UTC)
            if not renew(session, self._turn, at=at, progress=share, lease=self._lease):
                raise TakenAway
