"""Analyse clips in processes of their own, as many at once as there are cores.

The pages stay quick while the network runs, and a process that dies takes its clip with it and no
other. A process is started at the first clip that needs it and kept for the next.
"""

from __future__ import annotations

import multiprocessing
import threading
import traceback
from collections.abc import Callable
from multiprocessing.connection import Connection

from lessonmark.errors import LessonmarkError, UnusableClip
from lessonmark.language import say
from lessonmark.lessons.analyser import ClipJob
from lessonmark.lessons.clip_analysis import analyse_clip
from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding
from lessonmark.lessons.threads import core_count, network_threads, settle_threads
from lessonmark.tracks.body import BodyTracker
from lessonmark.words import Stage, View

__all__ = ["AnalysisEnded", "ClipProcess", "analyse_here"]

POLL_S = 0.2
ASSUMED_CLUB_CM = 94.0  # a 7-iron; common practice, no source; the page says that it is assumed
TRACKING_SHARE = 0.7  # of a clip's time, measured on the rendered clips
AIR_TEMPERATURE_C = 15.0  # as lesson.toml's default
ENDS_WITHIN_S = 5.0


class AnalysisEnded(UnusableClip):
    """The process that analysed a clip is gone; the clip may be as good as any."""


class ClipProcess:
    """Processes that wait for clips.

    Parameters
    ----------
    heavy : use the larger pose network.
    processes : at most; None for one a core. A call beyond that waits.
    """

    def __init__(self, *, heavy: bool = False, processes: int | None = None) -> None:
        self._heavy = heavy
        self._room = threading.Semaphore(processes or core_count())
        self._lock = threading.Lock()
        self._idle: list[_Helper] = []
        self._busy: list[_Helper] = []

    def analyse(self, job: ClipJob, tell: Callable[[float], None]) -> ClipFinding:
        """Analyse a clip over there and wait for it.

        Parameters
        ----------
        tell : told the share that is done, a few times a second. What it raises ends the analysis.

        Raises
        ------
        AnalysisEnded : the process was ended from outside.
        LessonmarkError : the clip cannot be used.
        """
        with self._room:
            helper, threads = self._take()
            whole = False
            try:
                finding = helper.analyse(job, threads, tell)
                whole = True
                return finding
            except AnalysisEnded:
                raise
            except LessonmarkError:
                whole = helper.is_idle
                raise
            finally:
                self._put_back(helper, whole)

    def close(self) -> None:
        """End the processes."""
        with self._lock:
            helpers, self._idle = [*self._idle, *self._busy], []
        for helper in helpers:
            helper.end()

    def _take(self) -> tuple[_Helper, int]:
        with self._lock:
            helper = self._idle.pop() if self._idle else _Helper(heavy=self._heavy)
            self._busy.append(helper)
            return helper, network_threads(len(self._busy))

    def _put_back(self, helper: _Helper, whole: bool) -> None:
        with self._lock:
            self._busy.remove(helper)
            if whole:
                self._idle.append(helper)
        if not whole:
            helper.end()


class _Helper:
    """One process and the line to it."""

    def __init__(self, *, heavy: bool) -> None:
        # 'spawn': a forked child would inherit the locks of the pages' threads and could hang.
        apart = multiprocessing.get_context("spawn")
        self._line, there = apart.Pipe()
        self._process = apart.Process(
            target=_listen, args=(there, heavy), name="clip-process", daemon=True
        )
        self._process.start()
        there.close()  # or a process that died would never be noticed
        self.is_idle = True

    def analyse(self, job: ClipJob, threads: int, tell: Callable[[float], None]) -> ClipFinding:
        share = 0.0
        try:
            self._line.send((job, threads))
            self.is_idle = False
            while True:
                if not self._line.poll(POLL_S):
                    tell(share)
                    continue
                kind, value = self._line.recv()
                if kind == "share":
                    share = value
                    tell(share)
                elif kind == "done":
                    self.is_idle = True
                    return value  # type: ignore[no-any-return]  # a pipe knows no types
                else:
                    self.is_idle = True
                    raise value
        except (EOFError, BrokenPipeError, ConnectionResetError) as err:
            raise _ended() from err

    def end(self) -> None:
        """End the process; what it worked on is lost, what it had finished is kept."""
        self._process.terminate()
        self._process.join(ENDS_WITHIN_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join(ENDS_WITHIN_S)
        self._line.close()


def _ended() -> AnalysisEnded:
    return AnalysisEnded(
        say("the analysis of this clip was ended from outside"),
        do=say("close other programs to free memory, and try again"),
    )


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
    settle_threads()
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
        mirrored=job.mirrored,
        fps_declared=job.fps_declared,
        stature_cm=job.stature_cm,
        club_length_cm=job.club_length_cm or ASSUMED_CLUB_CM,
        air_temperature_c=AIR_TEMPERATURE_C,
        heavy=heavy,
        stick=job.stick,
        stick_cm=job.stick_cm,
    )


def _listen(line: Connection, heavy: bool) -> None:
    """Wait for clips until the other end is closed; runs in the process itself."""
    settle_threads()
    trackers: dict[int, BodyTracker] = {}
    threads = 1

    def tracker() -> BodyTracker:
        if threads not in trackers:
            trackers.clear()
            trackers[threads] = BodyTracker(heavy=heavy, threads=threads)
        return trackers[threads]

    while True:
        try:
            job, threads = line.recv()
            line.send(_answer(line, job, heavy=heavy, tracker=tracker))
        except (
            EOFError,
            KeyboardInterrupt,
            ConnectionError,
        ):  # the program at the other end is gone
            return


def _answer(
    line: Connection, job: ClipJob, *, heavy: bool, tracker: Callable[[], BodyTracker]
) -> tuple[str, object]:
    try:
        return "done", analyse_here(
            job, heavy=heavy, tracker=tracker, tell=lambda share: line.send(("share", share))
        )
    except LessonmarkError as err:
        return "error", err
    except MemoryError:
        return "error", _ended()
    except ConnectionError:
        raise
    except Exception as err:  # its kind may not be one that a pipe can carry
        where = "".join(traceback.format_tb(err.__traceback__))
        return "error", RuntimeError(f"{type(err).__name__}: {err}\n{where}")
