"""Make the packs that coaches ask for on the page: in the background, one at a time.

The queue is the record itself, as for clips: an order that waits says so in its row, so that a
killed program takes up where it stopped.
"""

from __future__ import annotations

import logging
import shutil
import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import select

from lessonmark.drills.library import Drill
from lessonmark.errors import LessonmarkError, PackError, RecordError
from lessonmark.language import say, speaking
from lessonmark.lessons.analysis import PICTURES
from lessonmark.lessons.coach_library import coach_library, coach_of
from lessonmark.lessons.files import FileStore
from lessonmark.lessons.findings import Findings
from lessonmark.lessons.jobs import clip_key, whole_findings
from lessonmark.lessons.record import Lesson, LessonFinding, PackOrder, PackState, Player
from lessonmark.lessons.store import Record
from lessonmark.lessons.under_way import at_work
from lessonmark.pack import wording
from lessonmark.pack.bundle import FILES, PackChoices, write_pack
from lessonmark.pack.coach_words import CoachWords
from lessonmark.pack.from_record import words_of_record
from lessonmark.pack.paper import PaperSize
from lessonmark.pack.takes_of_record import takes_of_record
from lessonmark.pack.unnamed import call_clips_by_number
from lessonmark.pack.video_plan import TakeSource

__all__ = ["Packer", "pack_folder", "words_for_pack"]

TELL_EVERY_S = 0.5  # as for clips: not more often than the eye follows
LOOK_EVERY_S = 2.0  # for orders of another window, and for numbers that are being made anew
_PACK = "pack"
log = logging.getLogger(__name__)


class _StopAsked(Exception):
    """Somebody stopped the pack, or asked for another one meanwhile."""


class _Closing(Exception):
    """The program ends."""


@dataclass(frozen=True, kw_only=True)
class _Order:
    findings: Findings
    words: CoachWords
    takes: tuple[TakeSource, ...]
    choices: PackChoices
    media: dict[str, Path]
    language: str
    folder: Path


class Packer:
    """A thread that makes what is ordered."""

    def __init__(self, record: Record) -> None:
        self._record = record
        self._wake = threading.Event()
        self._closing = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin, with what a crash left half made first; safe to call twice."""
        if self._thread is None:
            with self._record.writing() as session:
                for order in session.scalars(
                    select(PackOrder).where(PackOrder.state == PackState.WORKING)
                ):
                    order.state, order.progress = PackState.WAITING, 0.0
            self._thread = threading.Thread(target=self._run, name="packer", daemon=True)
            self._thread.start()

    def wake(self) -> None:
        """Say that there may be something to do."""
        self._wake.set()

    def stop(self, timeout_s: float = 10.0) -> None:
        """Stop; a pack that is half made is made another time."""
        self._closing.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def work_through(self) -> int:
        """Make all that waits, here and now; gives how many orders were taken up."""
        count = 0
        while not self._closing.is_set() and self._make_next():
            count += 1
        return count

    def _run(self) -> None:
        while not self._closing.is_set():
            try:
                busy = self._make_next()
            except RecordError as err:  # a full or locked disk: the rows stay as they were
                log.error("the making of packs pauses: %s", err)
                busy = False
            if not busy:
                self._wake.wait(LOOK_EVERY_S)
                self._wake.clear()

    def _make_next(self) -> bool:
        with self._record.writing() as session:
            order = session.scalar(
                select(PackOrder)
                .join(Lesson, Lesson.id == PackOrder.lesson_id)
                .join(Player, Player.id == Lesson.player_id)
                .outerjoin(LessonFinding, LessonFinding.lesson_id == Lesson.id)
                .where(
                    PackOrder.state == PackState.WAITING,
                    Player.erasing_since.is_(None),
                    # Numbers or pictures that are just being made anew are waited for.
                    LessonFinding.stale.is_not(True),
                )
                .order_by(PackOrder.asked_at)
                .limit(1)
            )
            if order is None:
                return False
            order.state, order.progress, order.doing = PackState.WORKING, 0.0, ""
            order.problem = order.problem_do = ""
            lesson_id, language = order.lesson_id, order.language
            uid = session.get_one(Lesson, lesson_id).uid
        # Erased meanwhile: the pack goes too.
        with speaking(language), at_work(self._record, lessons=(uid,)):
            self._make(lesson_id, uid)
        return True

    def _make(self, lesson_id: int, uid: str) -> None:
        try:
            made_from = self._gather(lesson_id)
            with self._record.files.holding(media=_clips_of(made_from)):
                self._write(made_from, lesson_id, uid)
        except _Closing:
            self._end(lesson_id, PackState.WAITING)
        except _StopAsked:
            pass  # the row says already what comes next
        except LessonmarkError as err:
            self._end(lesson_id, PackState.FAILED, err.what, err.do)
        except Exception:  # one pack's trouble must not stop the others
            log.exception("a pack could not be made")
            self._end(
                lesson_id,
                PackState.FAILED,
                say("the making of the pack stopped unexpectedly"),
                say("an older pack is still there; try again"),
            )
        else:
            self._end(lesson_id, PackState.DONE)

    def _write(self, made_from: _Order, lesson_id: int, uid: str) -> None:
        _sweep(made_from.folder)
        target = made_from.folder / f"lesson-{made_from.findings.date[:10]}"
        write_pack(
            made_from.findings,
            target,
            lesson_folder=made_from.media,
            pictures=made_from.folder.parent / PICTURES,
            words=made_from.words,
            takes=made_from.takes,
            choices=made_from.choices,
            progress=_Teller(self._record, lesson_id, self._closing),
        )
        self._keep_only(made_from.folder, target)
        self._record.files.publish_lesson(uid)

    def _gather(self, lesson_id: int) -> _Order:
        files = self._record.files
        with self._record.reading() as session:
            lesson, order = session.get(Lesson, lesson_id), session.get(PackOrder, lesson_id)
            if lesson is None or order is None:
                raise _StopAsked
            findings = whole_findings(lesson)
            if findings is None:
                raise PackError(
                    say("there is nothing to put into a pack yet"),
                    do=say("bring clips in, and name a focus"),
                )
            if not findings.lesson_title:
                day = wording.day(findings.date)
                findings = replace(findings, lesson_title=say("Lesson of {day}", day=day))
            media = {
                clip_key(clip): files.load(clip.sha256)
                for clip in lesson.clips
                if clip.finding is not None
            }
            if not order.with_name:
                keys = [clip_key(clip) for clip in lesson.clips]
                findings, called = call_clips_by_number(findings, keys)
                media = {called[key]: path for key, path in media.items()}
            drills = coach_library(files.folder, coach=coach_of(session, lesson.player_id))
            takes = takes_of_record(session, files, lesson, findings) if order.with_voice else ()
            folder = files.lesson_folder(lesson.uid) / _PACK
            folder.mkdir(exist_ok=True)
            return _Order(
                findings=findings,
                words=words_for_pack(lesson, order.coach, drills),
                takes=takes,
                choices=PackChoices(
                    with_name=order.with_name,
                    papers=tuple(PaperSize(size) for size in order.papers.split()),
                    talking_points=order.talking_points or None,
                    message=order.message or None,
                ),
                media=media,
                language=order.language,
                folder=folder,
            )

    def _keep_only(self, folder: Path, target: Path) -> None:
        """Remove what an older pack had besides, and one that was called by another day."""
        for path in sorted(folder.rglob("*")):
            mine = path.parent == target or path.stem == target.name
            if path.is_file() and not mine:
                self._record.files.withdraw(path)
        for path in folder.iterdir():
            if path.is_dir() and path != target:
                shutil.rmtree(path)
        for name in FILES:
            if not (target / name).exists():
                self._record.files.withdraw(target / name)

    def _end(self, lesson_id: int, state: PackState, what: str = "", do: str = "") -> None:
        with self._record.writing() as session:
            order = session.get(PackOrder, lesson_id)
            if order is None or order.state is not PackState.WORKING:
                return  # erased, stopped, or asked for anew meanwhile
            order.state, order.problem, order.problem_do, order.doing = state, what, do, ""
            if state is PackState.DONE:
                order.progress, order.made_at = 1.0, datetime.now(UTC)


def words_for_pack(lesson: Lesson, coach: str, drills: Iterable[Drill]) -> CoachWords:
    """Gather the coach's words of a lesson, its chain of causes with them."""
    return words_of_record(
        lesson, drills=drills, coach=coach, causes=tuple(step.words for step in lesson.causes)
    )


def pack_folder(files: FileStore, lesson: Lesson) -> Path | None:
    """Give the folder of the pack that is there; its zip lies beside it. None: none is."""
    folder = files.lesson_folder(lesson.uid) / _PACK
    if not folder.is_dir():
        return None
    made = (path for path in folder.iterdir() if path.is_dir() and not path.name.startswith("."))
    return next(made, None)


def _clips_of(made_from: _Order) -> set[str]:
    """List the clips that a pack is made from, by their hashes."""
    shown = [pane.path for take in made_from.takes for pane in take.panes]
    return {path.name.partition(".")[0] for path in (*made_from.media.values(), *shown)}


def _sweep(folder: Path) -> None:
    """Remove what a crash left half made."""
    for path in folder.glob(".*"):
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink()


class _Teller:
    """Write a pack's progress down now and then, and see whether it is still wanted."""

    def __init__(self, record: Record, lesson_id: int, closing: threading.Event) -> None:
        self._record = record
        self._lesson_id = lesson_id
        self._closing = closing
        self._told_at = 0.0

    def __call__(self, share: float, doing: str) -> None:
        if self._closing.is_set():
            raise _Closing
        now = time.monotonic()
        if now - self._told_at < TELL_EVERY_S:
            return
        self._told_at = now
        with self._record.writing() as session:
            order = session.get(PackOrder, self._lesson_id)
            if order is None or order.state is not PackState.WORKING:
                raise _StopAsked
            if session.get_one(Lesson, self._lesson_id).player.erasing_since is not None:
                raise _StopAsked
            order.progress, order.doing = min(max(share, 0.0), 1.0), doing
