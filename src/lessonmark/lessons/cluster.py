"""The record's queue worked through by a Dask cluster, or by this machine alone.

The cluster is told nothing but to take the next clip: what waits, who holds it and what came out
are in the record. So a worker that dies, a scheduler that is restarted or a driver that is closed
lose nothing; whoever comes next goes on. ``LESSONMARK_SCHEDULER`` names Dask's scheduler; its
workers need the same ``LESSONMARK_DATABASE`` and ``LESSONMARK_STORE``.
"""

from __future__ import annotations

import importlib
import logging
import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import func, select

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.analyser import Analyser, ClipJob
from lessonmark.lessons.clip_process import analyse_here
from lessonmark.lessons.findings import ClipFinding
from lessonmark.lessons.own_analyser import OwnAnalyser
from lessonmark.lessons.record import LessonFinding
from lessonmark.lessons.store import Record, open_record
from lessonmark.lessons.turns import LEASE, count_open
from lessonmark.lessons.work import Workshop
from lessonmark.tracks.body import BodyTracker

__all__ = [
    "ClusterDriver",
    "ClusterWork",
    "analyser_here",
    "drain",
    "drain_here",
    "drain_on_cluster",
    "scheduler",
]

LOOK_EVERY_S = 1.0
ANSWERS_WITHIN_S = 10
TROUBLES_MAX = 20  # in a row: then the cluster cannot reach the record, and waiting is no use
log = logging.getLogger(__name__)


@dataclass(frozen=True, kw_only=True)
class ClusterWork:
    """What a worker needs to know; everything else is in the record."""

    folder: str | None = None  # of its own copies; None: its own LESSONMARK_DATA
    database: str | None = None  # None: its own LESSONMARK_DATABASE
    heavy: bool = False
    analyser: str = "lessonmark.lessons.cluster:analyser_here"  # 'module:callable(heavy)'
    lease_s: float = LEASE.total_seconds()


class _HereAnalyser(OwnAnalyser):
    """The analysis in this very process: a worker of a cluster is one already."""

    def __init__(self, *, heavy: bool) -> None:
        super().__init__(heavy=heavy)
        self._heavy_here = heavy
        self._one_at_a_time = threading.Lock()
        self._tracker: BodyTracker | None = None

    def analyse_clip(self, job: ClipJob, tell: Callable[[float], None]) -> ClipFinding:
        """Track and measure one clip."""
        with self._one_at_a_time:
            return analyse_here(job, heavy=self._heavy_here, tracker=self._network, tell=tell)

    def _network(self) -> BodyTracker:
        if self._tracker is None:
            self._tracker = BodyTracker(heavy=self._heavy_here)
        return self._tracker


def analyser_here(heavy: bool) -> Analyser:
    """Make the analysis that runs in this very process."""
    return _HereAnalyser(heavy=heavy)


def scheduler() -> str | None:
    """Name the scheduler that the settings name; None: this machine does the work."""
    return os.environ.get("LESSONMARK_SCHEDULER")


def drain(
    record: Record, analyser: Analyser, tell: Callable[[int], None], *, work: ClusterWork
) -> None:
    """Work the queue off, on the cluster where the settings name one; `tell` what is left."""
    address = scheduler()
    if address is None:
        drain_here(record, analyser, tell)
    else:
        drain_on_cluster(record, address, tell, work=work)


def drain_here(
    record: Record, analyser: Analyser, tell: Callable[[int], None], *, workers: int | None = None
) -> None:
    """Work the queue off on this machine, one clip a core at once."""
    workshop = Workshop(record, analyser, workers=workers)
    workshop.start()
    try:
        while left := _left(record):
            tell(left)
            time.sleep(LOOK_EVERY_S)
        tell(0)
    finally:
        workshop.stop()


def drain_on_cluster(
    record: Record, address: str, tell: Callable[[int], None], *, work: ClusterWork
) -> None:
    """Have a cluster work the queue off.

    Raises
    ------
    RecordError : Dask is not installed, the scheduler does not answer, or its workers cannot
        reach the record. What was finished is kept.
    """
    try:
        dask: Any = importlib.import_module("distributed")  # Any: it says few types
    except ImportError as err:
        raise RecordError(
            say("the cluster's software is not installed: {driver}", driver=err.name or ""),
            do=say("install Lessonmark with its extra 'academy'"),
        ) from err
    try:
        client = dask.Client(address, timeout=ANSWERS_WITHIN_S, set_as_default=False)
    except (OSError, ValueError) as err:
        raise RecordError(
            say("the cluster's scheduler does not answer"),
            do=say("start it, or correct LESSONMARK_SCHEDULER; the clips wait meanwhile"),
        ) from err
    troubles = 0
    running: set[Any] = set()
    with client:
        while left := _left(record):
            tell(left)
            room = sum(client.nthreads().values())
            for _ in range(min(room, left) - len(running)):
                running.add(client.submit(_step, work, pure=False))
            time.sleep(LOOK_EVERY_S if not room or not running else LOOK_EVERY_S / 4)
            for future in [one for one in running if one.done()]:
                running.discard(future)
                if future.status == "finished":
                    troubles = 0
                    continue
                troubles += 1
                log.warning("a worker of the cluster failed: %s", future.exception())
                if troubles > TROUBLES_MAX:
                    raise RecordError(
                        say("the cluster's workers cannot do the work"),
                        do=say("look at their logs: do they reach the database and the store?"),
                    )
        tell(0)


class ClusterDriver:
    """A thread that has the cluster work on whatever waits, for as long as the pages are open."""

    def __init__(self, record: Record, address: str, work: ClusterWork) -> None:
        self._record, self._address, self._work = record, address, work
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="cluster-driver", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """Stop handing out work; the workers finish what they hold."""
        self._stopping.set()
        self._thread.join(LOOK_EVERY_S * 5)

    def _run(self) -> None:
        while not self._stopping.wait(LOOK_EVERY_S):
            try:
                if _left(self._record):
                    drain_on_cluster(self._record, self._address, self._tell, work=self._work)
            except _Stopped:
                return
            except RecordError as err:
                log.error("the cluster does no work now: %s", err)

    def _tell(self, left: int) -> None:
        if self._stopping.is_set():
            raise _Stopped


class _Stopped(Exception):
    """The program is being closed."""


_workshops: dict[ClusterWork, Workshop] = {}
_opening = threading.Lock()


def _step(work: ClusterWork) -> bool:
    """Do the next thing that is to do; runs on a worker of the cluster."""
    with _opening:
        workshop = _workshops.get(work)
        if workshop is None:
            module, _, name = work.analyser.partition(":")
            make: Callable[[bool], Analyser] = getattr(importlib.import_module(module), name)
            record = open_record(Path(work.folder) if work.folder else None, database=work.database)
            workshop = Workshop(
                record, make(work.heavy), lease=timedelta(seconds=work.lease_s), workers=1
            )
            workshop.stay_alive()
            _workshops[work] = workshop
    return workshop.step()


def _left(record: Record) -> int:
    with record.reading() as session:
        stale = session.scalar(select(func.count()).where(LessonFinding.stale)) or 0
        return count_open(session) + stale
