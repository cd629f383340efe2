"""Measure an archive again when a measure has improved, and say which verdicts changed.

What is to do and what was done is read from the record each time: asked twice, nothing is measured
twice; stopped in the middle, the next call goes on; and the report can be had at any time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from lessonmark.evidence.wording import verdict_word
from lessonmark.lessons.findings import Findings, FocusFinding
from lessonmark.lessons.former import former_findings, read_former
from lessonmark.lessons.jobs import read_lesson_findings
from lessonmark.lessons.record import Clip, ClipState, Lesson, Player
from lessonmark.lessons.store import Record
from lessonmark.lessons.versions import up_to_date

__all__ = ["ArchiveState", "VerdictPair", "archive_state", "ask_anew", "verdict_pairs"]

READ_AT_ONCE = 200  # lessons: their findings are read one after the other anyway


@dataclass(frozen=True, kw_only=True)
class ArchiveState:
    """Where the clips of an archive stand."""

    clips: int  # that were ever measured, since the date
    current: int  # of these, measured with this program's version
    waiting: int
    refused: int  # which the new version could not measure; their old numbers stay


@dataclass(frozen=True, kw_only=True)
class VerdictPair:
    """One focus of one lesson, before and after it was measured again."""

    lesson_id: int
    day: date
    measure: str
    view: str
    before: str  # the verdict in a word
    after: str
    difference_before: float | None  # in the measure's unit; None: there was nothing to compare
    difference_after: float | None
    unit: str

    @property
    def changed(self) -> bool:
        """Whether the verdict is another one."""
        return self.before != self.after


def ask_anew(record: Record, since: date, *, heavy: bool = False) -> int:
    """Put the clips since that day that other versions measured into the queue; gives how many.

    Those that wait already, and those that this version measured, are left as they are.
    """
    current = up_to_date(heavy=heavy)
    with record.writing() as session:
        wanted = (
            select(Clip.id)
            .join(Lesson, Lesson.id == Clip.lesson_id)
            .join(Player, Player.id == Clip.player_id)
            .where(
                Lesson.started_at >= _start(since),
                Player.erasing_since.is_(None),
                Clip.state == ClipState.DONE,
                Clip.finding.is_not(None),
                Clip.measured_with.not_in(current),
            )
        )
        ids = session.scalars(wanted).all()
        session.execute(
            update(Clip)
            .where(Clip.id.in_(wanted))
            .values(state=ClipState.WAITING, progress=0.0, tries=0, taken_by="", taken_until=None)
            .execution_options(synchronize_session=False)
        )
        return len(ids)


def archive_state(record: Record, since: date, *, heavy: bool = False) -> ArchiveState:
    """Count where the clips since that day stand."""
    current = up_to_date(heavy=heavy)
    with record.reading() as session:
        rows = session.execute(
            select(Clip.state, Clip.measured_with)
            .join(Lesson, Lesson.id == Clip.lesson_id)
            .where(Lesson.started_at >= _start(since), Clip.finding.is_not(None))
        ).all()
    open_states = (ClipState.WAITING, ClipState.WORKING)
    return ArchiveState(
        clips=len(rows),
        current=sum(1 for state, made in rows if made in current and state is ClipState.DONE),
        waiting=sum(1 for state, _ in rows if state in open_states),
        refused=sum(1 for state, _ in rows if state is ClipState.FAILED),
    )


def verdict_pairs(record: Record, since: date) -> Iterator[VerdictPair]:
    """Compare every focus since that day with what its newest earlier result said.

    Lessons that were never measured again are left out.
    """
    with record.reading() as session:
        ids = session.scalars(
            select(Lesson.id).where(Lesson.started_at >= _start(since)).order_by(Lesson.id)
        ).all()
    for start in range(0, len(ids), READ_AT_ONCE):
        with record.reading() as session:
            for lesson_id in ids[start : start + READ_AT_ONCE]:
                yield from _pairs(session, lesson_id)


def _pairs(session: Session, lesson_id: int) -> Iterator[VerdictPair]:
    former = former_findings(session, lesson_id)
    lesson = session.get(Lesson, lesson_id)
    if not former or lesson is None:
        return
    now = read_lesson_findings(lesson)
    if now is None:
        return
    before = _by_measure(read_former(former[0]))
    for key, after in _by_measure(now).items():
        if key in before:
            yield VerdictPair(
                lesson_id=lesson_id,
                day=lesson.started_at.date(),
                measure=str(after.at),
                view=str(after.view),
                before=verdict_word(before[key].change.verdict),
                after=verdict_word(after.change.verdict),
                difference_before=before[key].change.difference,
                difference_after=after.change.difference,
                unit=after.unit,
            )


def _by_measure(findings: Findings) -> dict[tuple[str, str], FocusFinding]:
    return {(str(one.at), str(one.view)): one for one in findings.focus}


def _start(since: date) -> datetime:
    return datetime.combine(since, time()).astimezone()
