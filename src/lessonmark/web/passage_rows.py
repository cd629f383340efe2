"""Recorded passages as rows of a page."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlencode

from sqlalchemy import select
from sqlalchemy.orm import Session

from lessonmark.errors import PackError
from lessonmark.language import say
from lessonmark.lessons.findings import Findings
from lessonmark.lessons.record import Clip, Lesson, Passage, Swing
from lessonmark.pack import wording
from lessonmark.pack.said_again import say_again
from lessonmark.pack.stage_style import stage_word
from lessonmark.pack.take import read_take
from lessonmark.pack.takes_of_record import passage_order

__all__ = ["PassageRow", "passage_rows", "swing_title"]


@dataclass(frozen=True, kw_only=True)
class PassageRow:
    """One recorded passage."""

    id: int
    chapter: str  # the part of the video that it is heard in
    begins: bool  # the first of its chapter
    swings: str
    clock: str  # '1:05'
    caption: str
    has_voice: bool
    address: str  # of the viewer with its swings; '' where they are gone
    up: int | None  # the passage to change places with
    down: int | None


def passage_rows(
    session: Session, lesson: Lesson, findings: Findings | None
) -> tuple[PassageRow, ...]:
    """List a lesson's passages in the order of the video."""
    order = passage_order(lesson, findings)
    rows = []
    for n, (passage, focus) in enumerate(order):
        before = order[n - 1] if n else None
        after = order[n + 1] if n + 1 < len(order) else None
        swings = _swings(session, lesson, passage)
        rows.append(
            PassageRow(
                id=passage.id,
                chapter=_chapter(findings, focus),
                begins=before is None or before[1] != focus,
                swings=" | ".join(swing_title(swing) for swing in swings),
                clock=_clock(passage.duration_s),
                caption=passage.caption,
                has_voice=bool(passage.sound),
                address=_address(passage, swings),
                up=before[0].id if before and before[1] == focus else None,
                down=after[0].id if after and after[1] == focus else None,
            )
        )
    return tuple(rows)


def swing_title(swing: Swing) -> str:
    """Name a swing by its stage, clip and number."""
    return say(
        "{stage}, {clip}, swing {n}",
        stage=stage_word(swing.clip.stage),
        clip=swing.clip.name,
        n=swing.number,
    )


def _chapter(findings: Findings | None, focus: int | None) -> str:
    if findings is None or focus is None:
        return say("In the coach's words")
    one = findings.focus[focus]
    return wording.capital(wording.measure_title(say_again(one.name), one.at))


def _swings(session: Session, lesson: Lesson, passage: Passage) -> list[Swing]:
    try:
        wanted = read_take(passage.take).swings
    except PackError:
        return []
    found = [
        session.scalar(
            select(Swing)
            .join(Clip, Clip.id == Swing.clip_id)
            .where(
                Clip.player_id == lesson.player_id,
                Clip.sha256 == one.clip_sha256,
                Swing.number == one.number,
            )
        )
        for one in wanted
    ]
    return [swing for swing in found if swing is not None]


def _address(passage: Passage, swings: list[Swing]) -> str:
    if not swings:
        return ""
    asked = {"beside": swings[1].id} if len(swings) > 1 else {}
    query = urlencode({**asked, "at": passage.at, "passage": passage.id})
    return f"/swings/{swings[0].id}?{query}#voice"


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"
