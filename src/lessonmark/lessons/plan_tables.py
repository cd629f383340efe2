"""The record's tables of what comes after a lesson: plan, attempts, target windows, and causes."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from lessonmark.lessons.record_base import AttemptOutcome, Base, now
from lessonmark.words import View

__all__ = ["Attempt", "CauseStep", "PlannedPractice", "TargetWindow"]


class PlannedPractice(Base):
    """The practice that was planned after a lesson, as it was handed out."""

    __tablename__ = "planned_practice"

    lesson_id: Mapped[int] = mapped_column(
        ForeignKey("lesson.id", ondelete="CASCADE"), primary_key=True
    )
    made_at: Mapped[datetime] = mapped_column(default=now)
    starts_on: Mapped[date]
    next_on: Mapped[date]
    plan: Mapped[str] = mapped_column(Text)  # `PracticePlan` as JSON


class Attempt(Base):
    """An attempt at a drill's checkpoint, judged from the swings of a lesson or a practice."""

    __tablename__ = "attempt"

    id: Mapped[int] = mapped_column(primary_key=True)
    lesson_id: Mapped[int] = mapped_column(ForeignKey("lesson.id", ondelete="CASCADE"), index=True)
    at: Mapped[datetime]
    drill: Mapped[str] = mapped_column(String(80))  # id in the library
    name: Mapped[str] = mapped_column(String(200))  # as it was called then
    checkpoint: Mapped[str] = mapped_column(String(200))  # 'side_bend@P6 at least 16'
    swings: Mapped[int]  # that were looked at
    met: Mapped[int]  # of these, by the best value
    too_close: Mapped[int]  # of these, the footage does not tell
    outcome: Mapped[AttemptOutcome]


class TargetWindow(Base):
    """Where the coach wants a player's measure to lie; an open end is None."""

    __tablename__ = "target_window"
    __table_args__ = (UniqueConstraint("player_id", "at", "view"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    player_id: Mapped[int] = mapped_column(ForeignKey("player.id", ondelete="CASCADE"))
    at: Mapped[str] = mapped_column(String(80))  # 'side_bend@P6'
    view: Mapped[View]
    low: Mapped[float | None]  # in the measure's unit
    high: Mapped[float | None]


class CauseStep(Base):
    """A step of the chain of causes that the coach has in mind, first cause first."""

    __tablename__ = "cause_step"

    id: Mapped[int] = mapped_column(primary_key=True)
    lesson_id: Mapped[int] = mapped_column(ForeignKey("lesson.id", ondelete="CASCADE"), index=True)
    rank: Mapped[int]
    words: Mapped[str] = mapped_column(String(200))  # 'early slide'
    at: Mapped[str] = mapped_column(String(80))  # what shows it: 'pelvis_shift@P4'
    way: Mapped[str] = mapped_column(String(8))  # 'more' or 'less'
