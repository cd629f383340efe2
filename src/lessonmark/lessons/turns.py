"""Whose turn it is: the record's queue of clips, shared by every process that measures.

The queue is the clips' own rows. Who takes a clip writes its name and until when into the row, and
renews that while it works; a row whose time has run out belongs to nobody, so a program that was
killed loses nothing. What was found is written only by who still holds the clip: whoever was
taken for dead and comes back late finds it gone, so nothing is written twice.
"""

from __future__ import annotations

import os
import socket
import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import case, func, select, update
from sqlalchemy.orm import Session

from lessonmark.language import say
from lessonmark.lessons.record import Clip, ClipState, Lesson, Player

__all__ = [
    "LEASE",
    "MOST_TRIES",
    "Turn",
    "count_open",
    "give_back",
    "held",
    "is_news",
    "new_holder",
    "put_on_screen",
    "release_dead",
    "renew",
    "take_turn",
    "withdraw",
]

LEASE = timedelta(seconds=60)  # much longer than machines' clocks differ; renewed six times in it
MOST_TRIES = 3  # a clip that ends its process every time must not be tried for ever
ON_SCREEN_FOR = timedelta(seconds=60)  # an open page asks every second
SCREEN_EVERY = timedelta(seconds=5)  # a page that is looked at is a write: not every second


@dataclass(frozen=True, kw_only=True)
class Turn:
    """A clip that somebody holds."""

    clip_id: int
    lesson_id: int
    holder: str


def new_holder() -> str:
    """Name a worker: its machine, its process, and a part that no other has."""
    return f"{_machine()}:{os.getpid()}:{uuid.uuid4().hex[:12]}"


def take_turn(
    session: Session, holder: str, *, at: datetime, lease: timedelta = LEASE
) -> Turn | None:
    """Take the next clip, in the caller's transaction; None where none waits.

    The lesson on the screen comes first, then clips that were never measured, then the newest
    lesson; inside a lesson in the order of filming.
    """
    release_dead(session, at=at)
    clip = session.scalar(
        select(Clip)
        .join(Player, Player.id == Clip.player_id)
        .join(Lesson, Lesson.id == Clip.lesson_id)
        .where(Clip.state == ClipState.WAITING, Player.erasing_since.is_(None))
        .order_by(
            case((Lesson.on_screen_at >= at - ON_SCREEN_FOR, 0), else_=1),
            case((Clip.finding.is_(None), 0), else_=1),
            Clip.lesson_id.desc(),
            Clip.filmed_at,
            Clip.id,
        )
        .limit(1)
        # SQLite has one writer at a time anyway; a server hands each worker another row.
        .with_for_update(skip_locked=True, of=Clip)
    )
    if clip is None:
        return None
    clip.state, clip.progress = ClipState.WORKING, 0.0
    clip.taken_by, clip.taken_until = holder, at + lease
    clip.tries += 1
    return Turn(clip_id=clip.id, lesson_id=clip.lesson_id, holder=holder)


def held(session: Session, turn: Turn) -> Clip | None:
    """Load the clip for writing if this turn still stands; None where it does not.

    It does not where the clip is another worker's by now, was withdrawn, or is being erased.
    """
    return session.scalar(
        select(Clip)
        .where(
            Clip.id == turn.clip_id,
            Clip.player_id.in_(select(Player.id).where(Player.erasing_since.is_(None))),
            Clip.state == ClipState.WORKING,
            Clip.taken_by == turn.holder,
        )
        .with_for_update(of=Clip)
    )


def renew(
    session: Session,
    turn: Turn,
    *,
    at: datetime,
    progress: float | None = None,
    lease: timedelta = LEASE,
) -> bool:
    """Say that the work goes on; False where the turn was taken away."""
    clip = held(session, turn)
    if clip is None:
        return False
    clip.taken_until = at + lease
    if progress is not None:
        clip.progress = min(max(progress, 0.0), 1.0)
    return True


def give_back(session: Session, turn: Turn, *, counts: bool) -> bool:
    """Put a clip that is not finished back in the queue; False where it is another's by now.

    Parameters
    ----------
    counts : whether this was a try that failed; a program that is closed in good order is none.
    """
    clip = held(session, turn)
    if clip is None:
        return False
    if not counts:
        clip.tries -= 1
    _release(clip)
    return True


def withdraw(session: Session, clip: Clip) -> None:
    """Take a clip out of the queue; who works on it finds that out and stops.

    A clip that was measured before keeps those numbers.
    """
    if clip.state not in (ClipState.WAITING, ClipState.WORKING):
        return
    clip.taken_by, clip.taken_until, clip.tries, clip.progress = "", None, 0, 0.0
    if clip.finding is not None:
        clip.state, clip.problem, clip.problem_do = ClipState.DONE, "", ""
        return
    clip.state = ClipState.FAILED
    clip.problem = say("you stopped the measuring of this clip")
    clip.problem_do = say("try it again whenever you like")


def release_dead(session: Session, *, at: datetime, at_start: bool = False) -> int:
    """Free the clips of workers that have died; gives how many.

    Parameters
    ----------
    at_start : also those of this machine's processes that are there no more, and those that
        nobody put a name to: called by a process that begins to work.
    """
    working = select(Clip).where(Clip.state == ClipState.WORKING)
    if not at_start:
        working = working.where(Clip.taken_until < at)
    stuck = session.scalars(working.with_for_update(skip_locked=True, of=Clip)).all()
    freed = 0
    for clip in stuck:
        past = clip.taken_until is not None and clip.taken_until < at
        unnamed = clip.taken_until is None and at_start
        if past or unnamed or (at_start and _has_died(clip.taken_by)):
            _release(clip)
            freed += 1
    return freed


def is_news(lesson: Lesson, *, at: datetime) -> bool:
    """Whether it must be written down that a lesson is on the screen, or was a moment ago."""
    return lesson.on_screen_at is None or lesson.on_screen_at <= at - SCREEN_EVERY


def put_on_screen(session: Session, lesson_id: int, *, at: datetime) -> None:
    """Remember that somebody looks at a lesson whose clips wait."""
    session.execute(
        update(Lesson)
        .where(Lesson.id == lesson_id)
        .values(on_screen_at=at)
        .execution_options(synchronize_session=False)
    )


def count_open(session: Session) -> int:
    """Count the clips that wait or are being measured."""
    return (
        session.scalar(
            select(func.count())
            .select_from(Clip)
            .join(Player, Player.id == Clip.player_id)
            .where(
                Clip.state.in_((ClipState.WAITING, ClipState.WORKING)),
                Player.erasing_since.is_(None),
            )
        )
        or 0
    )


def _release(clip: Clip) -> None:
    clip.taken_by, clip.taken_until, clip.progress = "", None, 0.0
    if clip.tries < MOST_TRIES:
        clip.state = ClipState.WAITING
        return
    clip.state, clip.tries = ClipState.FAILED, 0
    clip.problem = say("the analysis of this clip ended without an answer, {n} times", n=MOST_TRIES)
    clip.problem_do = say("close other programs to free memory, and try again")


def _machine() -> str:
    return f"{socket.gethostname()[:60]}-{uuid.getnode():x}"


def _has_died(holder: str) -> bool:
    """Whether a holder was a process of this machine that is there no more."""
    machine, _, rest = holder.partition(":")
    number = rest.partition(":")[0]
    # Elsewhere than on POSIX, signal 0 is a real one: there the time runs out instead.
    if os.name != "posix" or machine != _machine() or not number.isdigit():
        return False
    try:
        os.kill(int(number), 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False
