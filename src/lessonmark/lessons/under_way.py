"""Who in this program is at which clips' and lessons' files, so that an erasure waits for them.

Rows go in a moment; whoever makes files (a clip's analysis, a lesson's judging, a pack, frames, a
recording that comes in) goes on for seconds after that and would write a folder anew that was
removed a moment ago. So each says what it is at, removes what it made of what is no longer in the
record, and an erasure searches for traces only when they have let go.
"""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from sqlalchemy import select

from lessonmark.lessons.record import Lesson, Media
from lessonmark.lessons.whose import anybody

if TYPE_CHECKING:
    from lessonmark.lessons.files import KeptFile
    from lessonmark.lessons.store import Record

__all__ = ["at_work", "clear_after", "drop_refused", "wait_until_let_go"]

_Key = tuple[str, str, int]  # the record's folder, a clip's hash or a lesson's uid, the thread
_held: Counter[_Key] = Counter()
_changed = threading.Condition()


@contextmanager
def at_work(
    record: Record, *, media: Collection[str] = (), lessons: Collection[str] = ()
) -> Iterator[None]:
    """Work on files of clips (by hash) and lessons (by uid).

    What was erased meanwhile has no folder afterwards, however the work ended.
    """
    mine = [_key(record, name) for name in (*media, *lessons)]
    with _changed:
        _held.update(mine)
    try:
        with record.files.holding(media=media, lessons=lessons):
            yield
    finally:
        try:
            clear_after(record, media=media, lessons=lessons)
        finally:
            with _changed:
                _held.subtract(mine)
                for key in mine:
                    if _held[key] <= 0:
                        del _held[key]
                _changed.notify_all()


def wait_until_let_go(record: Record, names: Collection[str], *, within_s: float) -> bool:
    """Wait until no other thread of this program is at these clips and lessons.

    Returns
    -------
    False where somebody still is when the time is over.
    """
    until = time.monotonic() + within_s
    with _changed:
        while _others_at(record, names):
            left = until - time.monotonic()
            if left <= 0:
                return False
            _changed.wait(left)
    return True


def clear_after(
    record: Record, *, media: Collection[str] = (), lessons: Collection[str] = ()
) -> None:
    """Remove what was just made of clips and lessons that were erased meanwhile."""
    with anybody(), record.reading() as session:
        known = set(session.scalars(select(Media.sha256).where(Media.sha256.in_(media))))
        known |= set(session.scalars(select(Lesson.uid).where(Lesson.uid.in_(lessons))))
    for sha256 in set(media) - known:
        record.files.remove_made(sha256)
    for uid in set(lessons) - known:
        record.files.remove_lesson(uid)


def drop_refused(record: Record, kept: Collection[KeptFile]) -> None:
    """Remove files that came in for a player who was refused or erased before their row was."""
    for sha256 in {one.sha256 for one in kept if not one.was_there}:
        with anybody(), record.writing() as session:  # nobody enters a row for it meanwhile
            if session.get(Media, sha256) is None and not _others_at(record, [sha256]):
                record.files.remove_media(sha256)


def _others_at(record: Record, names: Collection[str]) -> bool:
    folder, me = str(record.files.folder), threading.get_ident()
    wanted = set(names)
    with _changed:
        return any(
            where == folder and name in wanted and thread != me for where, name, thread in _held
        )


def _key(record: Record, name: str) -> _Key:
    return str(record.files.folder), name, threading.get_ident()
