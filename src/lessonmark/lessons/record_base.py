"""What every table of the record is made from: the base, moments in UTC, and kinds of rows."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime
from enum import StrEnum

from sqlalchemy import DateTime, Dialect, Enum, MetaData
from sqlalchemy.orm import DeclarativeBase
from sqlalchemy.types import TypeDecorator

from lessonmark.words import Handedness, Stage, View

__all__ = [
    "AttemptOutcome",
    "Base",
    "ClipState",
    "CorrectionKind",
    "LessonKind",
    "PackState",
    "UtcTime",
    "new_uid",
    "now",
]


class UtcTime(TypeDecorator[datetime]):
    """A moment, kept as naive UTC so that every database sorts it alike."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a moment in the record needs its time zone")
        return value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else value.replace(tzinfo=UTC)


def _words(kind: type[StrEnum], length: int = 16) -> Enum:
    # Kept as text with a length of our own, so that a new word needs no change of the table.
    return Enum(
        kind,
        native_enum=False,
        length=length,
        create_constraint=False,
        values_callable=lambda words: [word.value for word in words],
        validate_strings=True,
    )


class LessonKind(StrEnum):
    """With the coach, or the player's own swings between lessons."""

    LESSON = "lesson"
    PRACTICE = "practice"


class ClipState(StrEnum):
    """Where a clip stands in the analysis."""

    WAITING = "waiting"
    WORKING = "working"
    DONE = "done"
    FAILED = "failed"


class CorrectionKind(StrEnum):
    """What the coach moved by hand."""

    LANDMARK = "landmark"
    POSITION = "position"


class AttemptOutcome(StrEnum):
    """What became of an attempt at a drill's checkpoint."""

    MET = "met"
    NOT_MET = "not met"
    TOO_CLOSE = "too close"  # the footage does not tell
    TOO_FEW = "too few swings"


class PackState(StrEnum):
    """Where a pack stands."""

    WAITING = "waiting"
    WORKING = "working"
    DONE = "done"
    FAILED = "failed"
    STOPPED = "stopped"


class Base(DeclarativeBase):
    """All tables, with constraint names that every database spells alike."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy reads it so
        datetime: UtcTime(),
        Handedness: _words(Handedness),
        View: _words(View),
        Stage: _words(Stage),
        LessonKind: _words(LessonKind),
        ClipState: _words(ClipState),
        CorrectionKind: _words(CorrectionKind),
        AttemptOutcome: _words(AttemptOutcome),
        PackState: _words(PackState),
    }


def now() -> datetime:
    """This moment."""
    return datetime.now(UTC)


def new_uid() -> str:
    """A name that no other machine gives."""
    return uuid.uuid4().hex
