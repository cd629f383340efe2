"""Corrections by hand: kept, marked, undoable, and followed at once by the numbers.

What is slow (measuring, judging) happens on a trial copy of the rows, before anything is written;
then everything is written at once, provided that nobody corrected the same swing meanwhile.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise

from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.analyser import Analyser, Moves
from lessonmark.lessons.files import FileStore
from lessonmark.lessons.findings import SwingFinding
from lessonmark.lessons.former import keep_former
from lessonmark.lessons.jobs import (
    clip_job,
    lesson_job,
    moves_of,
    raw_swing,
    write_lesson_findings,
    write_swing,
)
from lessonmark.lessons.listing import load_swing
from lessonmark.lessons.record import Clip, Correction, CorrectionKind, Swing
from lessonmark.lessons.store import Record
from lessonmark.lessons.versions import clip_version
from lessonmark.words import Position

__all__ = ["measured_now", "move_landmark", "move_position", "undo_last"]

TRIES = 4  # two windows that correct the same swing at once: one of them measures again
Change = Callable[[Swing], None]


def move_landmark(
    record: Record,
    analyser: Analyser,
    swing_id: int,
    *,
    keypoint: str,
    at_s: float,
    x_px: float,
    y_px: float,
) -> None:
    """Put a landmark of one frame somewhere else and measure the swing again.

    Raises
    ------
    RecordError : a number that is none, or a landmark that the track does not have.
    """
    _finite(at_s, x_px, y_px)

    def change(swing: Swing) -> None:
        raw = raw_swing(swing.clip, swing.number)
        look = analyser.look(clip_job(record.files, swing.clip), raw, Moves())
        if keypoint not in look.paths:
            raise RecordError(
                say("there is no landmark of that name in this swing"), do=say("reload the page")
            )
        swing.clip.corrections.append(
            Correction(
                swing_number=swing.number,
                kind=CorrectionKind.LANDMARK,
                name=keypoint,
                at_s=at_s,
                x_px=x_px,
                y_px=y_px,
            )
        )

    _correct(record, analyser, swing_id, change)


def move_position(
    record: Record, analyser: Analyser, swing_id: int, *, position: Position, at_s: float
) -> None:
    """Put a position at another moment and measure the swing again.

    Raises
    ------
    RecordError : a number that is none, or the positions would no longer follow each other.
    """
    _finite(at_s)

    def change(swing: Swing) -> None:
        moves = moves_of(swing.clip, swing.number)
        raw = raw_swing(swing.clip, swing.number)
        times = {p: found.time.s for p, found in raw.positions.found.items()}
        times |= {**moves.positions, position: at_s}
        in_order = [times[p] for p in Position if p in times]
        if any(later <= earlier for earlier, later in pairwise(in_order)):
            raise RecordError(
                say("{position} must stay between its neighbours", position=position.value),
                do=say("move the neighbour first"),
            )
        swing.clip.corrections.append(
            Correction(
                swing_number=swing.number,
                kind=CorrectionKind.POSITION,
                name=position.value,
                at_s=at_s,
            )
        )

    _correct(record, analyser, swing_id, change)


def undo_last(record: Record, analyser: Analyser, swing_id: int) -> None:
    """Take the last correction of a swing back; nothing happens where there is none."""

    def change(swing: Swing) -> None:
        standing = _standing(swing)
        if standing:
            standing[-1].undone_at = datetime.now(UTC)

    _correct(record, analyser, swing_id, change)


def measured_now(files: FileStore, analyser: Analyser, swing: Swing) -> SwingFinding:
    """Measure a swing with the corrections that stand; as analysed where none does."""
    raw = raw_swing(swing.clip, swing.number)
    moves = moves_of(swing.clip, swing.number)
    if not (moves.landmarks or moves.positions):
        return raw
    found = analyser.measure_again(clip_job(files, swing.clip), raw, moves)
    return replace(found, corrected_with=clip_version(heavy=_was_heavy(swing.clip)))


def _was_heavy(clip: Clip) -> bool:
    """Whether the larger network tracked the clip: a correction moves that track."""
    made_with = json.loads(clip.finding or "{}").get("made_with") or {}
    return bool(made_with.get("settings", {}).get("heavy", False))


def _correct(record: Record, analyser: Analyser, swing_id: int, change: Change) -> None:
    for _ in range(TRIES):
        with record.reading() as session, session.no_autoflush:
            swing = load_swing(session, swing_id)
            seen = [one.id for one in _standing(swing)]
            change(swing)
            found = measured_now(record.files, analyser, swing)
            write_swing(swing, found)
            findings = analyser.analyse_lesson(lesson_job(record.files, swing.clip.lesson))
        with record.writing() as session:
            if _keep(session, swing_id, seen, change, found):
                lesson = load_swing(session, swing_id).clip.lesson
                keep_former(lesson, None)
                write_lesson_findings(lesson, findings)
                if lesson.finding is not None:
                    lesson.finding.stale = True  # its pictures still show the old lines
                return
    raise RecordError(
        say("this swing is being corrected in another window"), do=say("reload the page")
    )


def _keep(
    session: Session, swing_id: int, seen: list[int], change: Change, found: SwingFinding
) -> bool:
    swing = load_swing(session, swing_id)
    if [one.id for one in _standing(swing)] != seen:
        return False
    with session.no_autoflush:
        change(swing)
        write_swing(swing, found)
    session.flush()
    return True


def _standing(swing: Swing) -> list[Correction]:
    return [
        one
        for one in swing.clip.corrections
        if one.swing_number == swing.number and one.undone_at is None
    ]


def _finite(*numbers: float) -> None:
    if not all(math.isfinite(number) for number in numbers):
        raise RecordError(say("a place needs finite numbers"), do=say("reload the page"))
