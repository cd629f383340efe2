"""Analyse waiting clips in the background, one at a time, and judge their lessons.

The queue is the record itself: a clip that waits says so in its row, so that a killed program
takes up where it stopped.
"""

from __future__ import annotations

import logging
import threading
import time

from sqlalchemy import exists, select

from lessonmark.errors import LessonmarkError, RecordError
from lessonmark.language import say
from lessonmark.lessons.analyser import Analyser
from lessonmark.lessons.corrections import measured_now
from lessonmark.lessons.jobs import (
    clip_job,
    lesson_job,
    write_clip_finding,
    write_lesson_findings,
    write_swing,
)
from lessonmark.lessons.record import Clip, ClipState, Lesson, LessonFinding, Player
from lessonmark.lessons.store import Record

__all__ = ["Workshop", "judge_lesson"]

TELL_EVERY_S = 0.5  # progress is a write to the database: not more often than the eye follows
LOOK_EVERY_S = 2.0  # for clips that another window brought in
log = logging.getLogger(__name__)


class Workshop:
    """A thread that works through the record's queue."""

    def __init__(self, record: Record, analyser: Analyser) -> None:
        self._record = record
        self._analyser = analyser
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin; safe to call twice."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="workshop", daemon=True)
            self._thread.start()

    def wake(self) -> None:
        """Say that there may be something to do."""
        self._wake.set()

    def stop(self, timeout_s: float = 5.0) -> None:
        """Stop after the step under way."""
        self._stopping.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def work_through(self) -> int:
        """Do all that waits, here and now; gives how many clips were analysed."""
        count = 0
        while not self._stopping.is_set() and self._analyse_next():
            count += 1
        while not self._stopping.is_set() and self._judge_next():
            pass
        return count

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                busy = self._analyse_next() or self._judge_next()
            except RecordError as err:  # a full or locked disk: the rows stay as they were
                log.error("the background work pauses: %s", err)
                busy = False
            if not busy:
                self._wake.wait(LOOK_EVERY_S)
                self._wake.clear()

    def _analyse_next(self) -> bool:
        with self._record.writing() as session:
            clip = session.scalar(
                select(Clip)
                .join(Player, Player.id == Clip.player_id)
                .where(Clip.state == ClipState.WAITING, Player.erasing_since.is_(None))
                .order_by(Clip.lesson_id.desc(), Clip.filmed_at, Clip.id)
                .limit(1)
            )
            if clip is None:
                return False
            clip.state, clip.progress = ClipState.WORKING, 0.0
            clip_id, lesson_id = clip.id, clip.lesson_id
        self._analyse(clip_id)
        self._judge(lesson_id, pictures=not self._more_of(lesson_id))
        self._make_frames(clip_id)
        return True

    def _analyse(self, clip_id: int) -> None:
        try:
            with self._record.reading() as session:
                job = clip_job(self._record.files, session.get_one(Clip, clip_id))
            finding = self._analyser.analyse_clip(job, _Teller(self._record, clip_id))
        except LessonmarkError as err:
            self._fail(clip_id, str(err).rstrip(".") if not err.do else err.what, err.do)
            return
        except Exception:  # the clip loop: the other clips of the lesson go on
            log.exception("a clip could not be analysed")
            self._fail(
                clip_id,
                say("the analysis of this clip stopped unexpectedly"),
                say("the other clips went on; try this one again, or film another"),
            )
            return
        with self._record.reading() as session, session.no_autoflush:
            # Slow, so before anything is written: swings that the coach corrected are measured
            # again on the new track.
            clip = session.get_one(Clip, clip_id)
            write_clip_finding(session, clip, finding)
            again = {
                swing.number: measured_now(self._record.files, self._analyser, swing)
                for swing in clip.swings
            }
        with self._record.writing() as session:
            there = session.get(Clip, clip_id)
            if there is None:
                return  # erased meanwhile
            if there.view_by_hand and there.view is not finding.view:
                return  # the coach corrected the view meanwhile: it waits for another turn
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
                job = clip_job(self._record.files, clip)
            self._analyser.frame_pack(job)
        except (LessonmarkError, OSError) as err:
            log.warning("the frames of a clip are not ready yet: %s", err)

    def _fail(self, clip_id: int, what: str, do: str) -> None:
        with self._record.writing() as session:
            clip = session.get(Clip, clip_id)
            if clip is not None:
                clip.state, clip.problem, clip.problem_do = ClipState.FAILED, what, do

    def _more_of(self, lesson_id: int) -> bool:
        with self._record.reading() as session:
            waits = exists().where(Clip.lesson_id == lesson_id, Clip.state == ClipState.WAITING)
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
            return judge_lesson(self._record, self._analyser, lesson_id, pictures=pictures)
        except LessonmarkError as err:
            log.error("a lesson could not be judged: %s", err)
        except Exception:  # one lesson's trouble must not stop the others
            log.exception("a lesson could not be judged")
        self._set_aside(lesson_id)
        return False

    def _set_aside(self, lesson_id: int) -> None:
        with self._record.writing() as session:
            lesson = session.get(Lesson, lesson_id)
            if lesson is not None and lesson.finding is not None:
                lesson.finding.stale = False  # or it would be tried again for ever


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
        job = lesson_job(record.files, session.get_one(Lesson, lesson_id))
    if not job.clips:
        return False
    findings = analyser.analyse_lesson(job)
    if pictures:
        findings = analyser.make_pictures(job, findings)
    with record.writing() as session:
        lesson = session.get(Lesson, lesson_id)
        if lesson is None:
            return True
        changed = lesson_job(record.files, lesson) != job
        write_lesson_findings(lesson, findings)
        if lesson.finding is not None and (changed or not pictures):
            lesson.finding.stale = True
    return True


class _Teller:
    """Write a clip's progress down, now and then."""

    def __init__(self, record: Record, clip_id: int) -> None:
        self._record = record
        self._clip_id = clip_id
        self._told_at = 0.0

    def __call__(self, share: float) -> None:
        now = time.monotonic()
        if now - self._told_at < TELL_EVERY_S:
            return
        self._told_at = now
        with self._record.writing() as session:
            clip = session.get(Clip, self._clip_id)
            if clip is not None and clip.state is ClipState.WORKING:
                clip.progress = min(max(share, 0.0), 1.0)
