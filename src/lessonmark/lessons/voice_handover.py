"""Passages and the wished-for pack, as they are handed over with a player."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field

from lessonmark.lessons.record import Lesson, PackOrder, PackState, Passage
from lessonmark.words import View

__all__ = ["PackData", "PassageData", "add_voice", "pack_data", "passage_data"]


class _Row(BaseModel):
    model_config = ConfigDict(from_attributes=True, extra="forbid")


class PassageData(_Row):
    """A recorded passage; its sound is among the lesson's files."""

    uid: str = Field(pattern=r"^[0-9a-f]{32}$")
    rank: int
    at: str
    view: View | None
    sound: str = Field(pattern=r"^([0-9a-f]{64}\.(webm|ogg|mp4))?$")
    duration_s: float
    caption: str
    take: str
    recorded_at: datetime


class PackData(_Row):
    """What the coach wanted in the pack; the pack itself is among the lesson's files."""

    language: str
    papers: str
    with_name: bool
    with_voice: bool
    coach: str
    talking_points: str
    message: str
    state: PackState
    asked_at: datetime
    made_at: datetime | None


def passage_data(lesson: Lesson) -> list[PassageData]:
    """Gather a lesson's passages."""
    return [PassageData.model_validate(row) for row in lesson.passages]


def pack_data(lesson: Lesson) -> PackData | None:
    """Gather what was wanted in a lesson's pack; None where nobody asked for one."""
    return None if lesson.pack is None else PackData.model_validate(lesson.pack)


def add_voice(lesson: Lesson, passages: list[PassageData], pack: PackData | None) -> None:
    """Put what was handed over into a new lesson's rows."""
    lesson.passages = [Passage(**row.model_dump()) for row in passages]
    if pack is not None:
        lesson.pack = PackOrder(**pack.model_dump())
        if lesson.pack.state in (PackState.WAITING, PackState.WORKING):
            lesson.pack.state = PackState.STOPPED  # nobody asked for it on this machine
