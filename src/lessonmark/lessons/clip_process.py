"""Analyse one clip at a time in a process of its own.

The pages stay quick while the network runs, and a process that dies takes no page with it.
"""

from __future__ import annotations

import multiprocessing
import queue
import threading
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.queues import Queue

from lessonmark.errors import UnusableClip
from lessonmark.language import say
from lessonmark.lessons.analyser import ClipJob
from lessonmark.lessons.clip_analysis import analyse_clip
from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding
from lessonmark.tracks.body import BodyTracker
from lessonmark.words import Stage, View

__all__ = ["ClipProcess", "analyse_here"]

POLL_S = 0.2
ASSUMED_CLUB_CM = 94.0  # a 7-iron; common practice, no source; the page says that it is assumed
TRACKING_SHARE = 0.7  # of a clip's time, measured on the rendered clips
AIR_TEMPERATURE_C = 15.0  # as lesson.toml's default


class ClipProcess:
    """A process that waits for clips; started at the first one."""

    def __init__(self, *, heavy: bool = False) -> None:
        self._heavy = heavy
        self._lock = threading.Lock()
        self._pool: ProcessPoolExecutor | None = None
        self._told: Queue[float] | None = None

    def analyse(self, job: ClipJob, tell: Callable[[float], None]) -> ClipFinding:
        """Analyse a clip over there and wait for it.

        Raises
        ------
        LessonmarkError : the clip cannot be used, or the process was ended from outside.
        """
        with self._lock:
            pool, told = self._start()
            future = pool.submit(_analyse_there, job, self._heavy)
            while not future.done():
                _pass_on(told, tell)
            try:
                return future.result()
            except BrokenProcessPool as err:
                self.close()
                raise UnusableClip(
                    say("the analysis of this clip was ended from outside"),
                    do=say("close other programs to free memory, and try again"),
                ) from err

    def close(self) -> None:
        """End the process."""
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = None

    def _start(self) -> tuple[ProcessPoolExecutor, Queue[float]]:
        if self._pool is None or self._told is None:
            # 'spawn': a forked child would inherit the locks of the pages' threads and could hang.
            apart = multiprocessing.get_context("spawn")
            self._told = apart.Queue()
            self._pool = ProcessPoolExecutor(
                1, mp_context=apart, initializer=_listen, initargs=(self._told,)
            )
        return self._pool, self._told


def analyse_here(
    job: ClipJob,
    *,
    heavy: bool,
    tracker: Callable[[], BodyTracker],
    tell: Callable[[float], None],
) -> ClipFinding:
    """Analyse a clip in this process.

    Where the view is not known, face-on is tried first; the body's track is kept, so that the
    second try costs little.

    Raises
    ------
    LessonmarkError : the clip cannot be used.
    """

    furthest = 0.0

    def on_progress(doing: str, done: int, of: int) -> None:
        # Following the player counts its frames; the short steps after it do not.
        nonlocal furthest
        furthest = max(furthest, TRACKING_SHARE * done / of if of > 1 else 0.0)
        tell(furthest)

    views = [job.view] if job.view is not None else list(View)
    first: UnusableClip | None = None
    for view in views:
        try:
            return analyse_clip(
                job.path,
                _settings(job, view, heavy=heavy),
                derived=Derived(job.derived),
                tracker=tracker,
                on_progress=on_progress,
            )
        except UnusableClip as err:
            first = first or err
    assert first is not None
    raise first


def _settings(job: ClipJob, view: View, *, heavy: bool) -> ClipSettings:
    # Name and stage are the record's own business and may change: the finding hangs on neither.
    return ClipSettings(
        clip="clip.mp4",
        view=view,
        stage=Stage.BEFORE,
        handedness=job.handedness,
        mirrored=False,
        fps_declared=job.fps_declared,
        stature_cm=job.stature_cm,
        club_length_cm=job.club_length_cm or ASSUMED_CLUB_CM,
        air_temperature_c=AIR_TEMPERATURE_C,
        heavy=heavy,
    )


_told_there: Queue[float] | None = None
_tracker_there: BodyTracker | None = None


def _listen(told: Queue[float]) -> None:
    global _told_there
    _told_there = told


def _analyse_there(job: ClipJob, heavy: bool) -> ClipFinding:
    told = _told_there
    assert told is not None  # set by the initializer

    def tracker() -> BodyTracker:
        global _tracker_there
        if _tracker_there is None:
            _tracker_there = BodyTracker(heavy=heavy)
        return _tracker_there

    return analyse_here(job, heavy=heavy, tracker=tracker, tell=told.put)


def _pass_on(told: Queue[float], tell: Callable[[float], None]) -> None:
    """Wait a little for news and pass the latest on."""
    share: float | None = None
    try:
        share = told.get(timeout=POLL_S)
        while True:
            share = told.get_nowait()
    except queue.Empty:
        if share is not None:
            tell(share)
