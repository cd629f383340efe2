"""A lesson's versions and earlier results, handed over with a player."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict

from lessonmark.lessons.record import FormerFinding, Lesson

__all__ = ["HistoryData", "add_history", "history_data"]


class _Row(BaseModel):
    model_config = ConfigDict(from_attributes=True, extra="forbid")


class FormerData(_Row):
    findings: str
    made_at: datetime
    measured_with: str
    replaced_at: datetime


class HistoryData(_Row):
    """What the sheet was made with, and what it said before."""

    measured_with: str = ""
    former: list[FormerData] = []


def history_data(lesson: Lesson) -> HistoryData:
    """Gather them as plain values."""
    return HistoryData(
        measured_with=lesson.finding.measured_with if lesson.finding else "",
        former=[FormerData.model_validate(row) for row in lesson.former],
    )


def add_history(lesson: Lesson, data: HistoryData) -> None:
    """Enter them as rows of a lesson that is being added."""
    if lesson.finding is not None:
        lesson.finding.measured_with = data.measured_with
    lesson.former = [FormerFinding(**row.model_dump()) for row in data.former]
