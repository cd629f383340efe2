"""The record's tables of what the coach says: recorded passages, and the pack that they want."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from lessonmark.lessons.record_base import Base, PackState, new_uid, now
from lessonmark.words import View

__all__ = ["PackOrder", "Passage"]


class Passage(Base):
    """A passage that the coach recorded while stepping through swings."""

    __tablename__ = "passage"

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), default=new_uid, unique=True)
    lesson_id: Mapped[int] = mapped_column(ForeignKey("lesson.id", ondelete="CASCADE"), index=True)
    rank: Mapped[int]
    at: Mapped[str] = mapped_column(String(80), default="")  # measure on the screen; '' none
    view: Mapped[View | None]
    sound: Mapped[str] = mapped_column(String(80), default="")  # '<sha256>.webm'; '' no voice
    duration_s: Mapped[float]
    caption: Mapped[str] = mapped_column(Text, default="")
    take: Mapped[str] = mapped_column(Text)  # what was on the screen, JSON
    recorded_at: Mapped[datetime] = mapped_column(default=now)


class PackOrder(Base):
    """What the coach wants in a lesson's pack, and how far it is made."""

    __tablename__ = "pack_order"

    lesson_id: Mapped[int] = mapped_column(
        ForeignKey("lesson.id", ondelete="CASCADE"), primary_key=True
    )
    language: Mapped[str] = mapped_column(String(16))
    papers: Mapped[str] = mapped_column(String(40))  # 'a4', 'us-letter' or both, ' ' between
    with_name: Mapped[bool]
    with_voice: Mapped[bool]
    coach: Mapped[str] = mapped_column(String(200), default="")
    talking_points: Mapped[str] = mapped_column(Text, default="")  # '' takes the draft
    message: Mapped[str] = mapped_column(Text, default="")  # likewise
    state: Mapped[PackState] = mapped_column(default=PackState.WAITING, index=True)
    progress: Mapped[float] = mapped_column(default=0.0)  # 0 to 1
    doing: Mapped[str] = mapped_column(String(200), default="")
    problem: Mapped[str] = mapped_column(Text, default="")
    problem_do: Mapped[str] = mapped_column(Text, default="")
    asked_at: Mapped[datetime] = mapped_column(default=now)
    made_at: Mapped[datetime | None]  # of the pack that is there
