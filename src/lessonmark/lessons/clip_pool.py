"""Analyse many clips at once, one process a core, so that no clip waits for another.

A broken clip is reported and the others go on. A process that dies takes its clip with it and no
other: that clip is reported too. Finished clips are kept by `derived`, so a run that is stopped
takes up where it was.
"""

from __future__ import annotations

import multiprocessing
import os
import queue
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing.queues import Queue
from pathlib import Path

from lessonmark.errors import LessonmarkError, WeightsMissing
from lessonmark.language import say
from lessonmark.lessons.clip_analysis import analyse_clip
from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding, ClipProblem
from lessonmark.lessons.threads import settle_threads
from lessonmark.tracks.body import BodyTracker

__all__ = ["ClipProgress", "analyse_clips"]

_POLL_S = 0.2


@dataclass(frozen=True, kw_only=True)
class ClipProgress:
    """How far one clip is."""

    clip: str
    doing: str
    done: int
    of: int


@dataclass(frozen=True, kw_only=True)
class _Job:
    folder: Path
    derived: Path
    settings: ClipSettings


def analyse_clips(
    folder: Path,
    clips: Sequence[ClipSettings],
    *,
    derived: Path,
    workers: int | None = None,
    on_progress: Callable[[ClipProgress], None] = lambda progress: None,
) -> Iterator[ClipFinding | ClipProblem]:
    """Analyse clips and give each one's finding or problem, in the order of `clips`.

    Parameters
    ----------
    folder : the lesson's folder.
    clips : what is known of each clip.
    derived : folder of derived files.
    workers : processes; None for one a core. With one, everything runs in this process.
    on_progress : told from this process how far each clip is.

    Raises
    ------
    WeightsMissing : no clip can be analysed without the network's weights.
    """
    jobs = [_Job(folder=folder, derived=derived, settings=clip) for clip in clips]
    workers = min(workers or os.cpu_count() or 1, max(1, len(jobs)))
    if workers == 1:
        for job in jobs:
            yield _analyse(job, on_progress)
        return
    yield from _analyse_apart(jobs, workers, on_progress)


def _analyse_apart(
    jobs: Sequence[_Job], workers: int, on_progress: Callable[[ClipProgress], None]
) -> Iterator[ClipFinding | ClipProblem]:
    # 'spawn': a forked child would inherit the parent's threads' locks and could hang.
    apart = multiprocessing.get_context("spawn")
    told: Queue[ClipProgress] = apart.Queue()
    pool = ProcessPoolExecutor(workers, mp_context=apart, initializer=_start, initargs=(told,))
    try:
        waiting = [pool.submit(_analyse_and_tell, job) for job in jobs]
        for job, future in zip(jobs, waiting, strict=True):
            while not future.done():
                _pass_on(told, on_progress)
            _pass_on(told, on_progress, wait=False)
            yield _outcome(job, future)
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _outcome(job: _Job, future: Future[ClipFinding | ClipProblem]) -> ClipFinding | ClipProblem:
    try:
        return future.result()
    except BrokenProcessPool:
        return ClipProblem(
            clip=job.settings.clip,
            what=say("the analysis of this clip, or of one beside it, was ended from outside"),
            do=say("run it again; what was finished is kept"),
        )


def _pass_on(
    told: Queue[ClipProgress], on_progress: Callable[[ClipProgress], None], *, wait: bool = True
) -> None:
    try:
        while True:
            on_progress(told.get(timeout=_POLL_S) if wait else told.get_nowait())
    except queue.Empty:
        return


_tracker: BodyTracker | None = None
_tracker_heavy = False
_told: Queue[ClipProgress] | None = None


def _start(told: Queue[ClipProgress]) -> None:
    global _told
    _told = told


def _analyse_and_tell(job: _Job) -> ClipFinding | ClipProblem:
    told = _told
    assert told is not None  # set by the initializer of every worker
    return _analyse(job, told.put)


def _analyse(job: _Job, tell: Callable[[ClipProgress], None]) -> ClipFinding | ClipProblem:
    settle_threads()
    clip = job.settings.clip

    def on_progress(doing: str, done: int, of: int) -> None:
        # A bar needs no more than a hundred steps, and a queue is not free.
        if done == of or done % max(1, of // 100) == 0:
            tell(ClipProgress(clip=clip, doing=doing, done=done, of=of))

    try:
        return analyse_clip(
            job.folder / clip,
            job.settings,
            derived=Derived(job.derived),
            tracker=lambda: _own_tracker(heavy=job.settings.heavy),
            on_progress=on_progress,
        )
    except WeightsMissing:
        raise
    except LessonmarkError as err:
        problem = ClipProblem(clip=clip, what=_what(err), do=err.do)
    except Exception as err:  # one clip must never take the lesson with it
        problem = ClipProblem(
            clip=clip,
            what=say("this clip could not be measured ({why})", why=f"{type(err).__name__}: {err}"),
            do=say("the other clips went on; please report this one"),
        )
    tell(ClipProgress(clip=clip, doing=say("not usable"), done=1, of=1))
    return problem


def _what(err: LessonmarkError) -> str:
    """Say what was wrong; the clip is named beside it already."""
    if err.second is None:
        return err.what
    return say("{what} (at {second:.2f} s)", what=err.what, second=err.second)


def _own_tracker(*, heavy: bool) -> BodyTracker:
    """Give this process's network, loaded once for all its clips."""
    global _tracker, _tracker_heavy
    if _tracker is None or _tracker_heavy is not heavy:
        _tracker, _tracker_heavy = BodyTracker(heavy=heavy), heavy
    return _tracker
