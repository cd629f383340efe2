"""Plans, attempts, target windows and causes, as they are handed over with a player."""

from __future__ import annotations

from datetime import date, datetime

from pydantic import BaseModel, ConfigDict

from lessonmark.lessons.record import (
    Attempt,
    AttemptOutcome,
    CauseStep,
    Lesson,
    PlannedPractice,
    Player,
    TargetWindow,
)
from lessonmark.words import View

__all__ = ["PlansData", "TargetData", "add_plans", "add_targets", "plans_data", "targets_data"]


class _Row(BaseModel):
    model_config = ConfigDict(from_attributes=True, extra="forbid")


class TargetData(_Row):
    """A target window."""

    at: str
    view: View
    low: float | None
    high: float | None


class AttemptData(_Row):
    """An attempt at a checkpoint."""

    at: datetime
    drill: str
    name: str
    checkpoint: str
    swings: int
    met: int
    too_close: int
    outcome: AttemptOutcome


class CauseData(_Row):
    """A step of the coach's chain."""

    rank: int
    words: str
    at: str
    way: str


class PlannedData(_Row):
    """The planned practice."""

    made_at: datetime
    starts_on: date
    next_on: date
    plan: str


class PlansData(_Row):
    """What comes after a lesson; an export older than these tables has none of it."""

    attempts: list[AttemptData] = []
    causes: list[CauseData] = []
    planned: PlannedData | None = None


def plans_data(lesson: Lesson) -> PlansData:
    """Gather a lesson's plan, attempts and causes."""
    return PlansData.model_validate(lesson)


def targets_data(player: Player) -> list[TargetData]:
    """Gather a player's target windows."""
    return [TargetData.model_validate(row) for row in player.targets]


def add_plans(lesson: Lesson, plans: PlansData) -> None:
    """Put what was handed over into a new lesson's rows."""
    lesson.attempts = [Attempt(**row.model_dump()) for row in plans.attempts]
    lesson.causes = [CauseStep(**row.model_dump()) for row in plans.causes]
    if plans.planned is not None:
        lesson.planned = PlannedPractice(**plans.planned.model_dump())


def add_targets(player: Player, targets: list[TargetData]) -> None:
    """Add the windows of measures that have none here yet; those that are here stay."""
    here = {(row.at, row.view) for row in player.targets}
    player.targets.extend(
        TargetWindow(**row.model_dump()) for row in targets if (row.at, row.view) not in here
    )
