"""What an erasure must know until it has proven that everything is gone, kept outside the database.

The proof looks for the player's own words, and they are in the very rows that go. Were they
remembered in the database, its file would hold them; were they only in the program's memory, a
crash would take the proof along. So they lie among the record's files, sealed or shared as those
are, from before the rows go until the search came back empty.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from typing import TYPE_CHECKING

from pydantic import BaseModel, ConfigDict
from sqlalchemy import select

from lessonmark.lessons.files import sync_folder, write_whole
from lessonmark.lessons.record import Erasure

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from lessonmark.lessons.store import Record

__all__ = ["KEPT", "SoughtWords", "forget_words", "keep_words", "kept_words", "new_place", "places"]

KEPT = "kept"  # key of an erasure's plan: where its words lie
FILE = "sought.json"


class SoughtWords(BaseModel):
    """What must be nowhere any more."""

    model_config = ConfigDict(frozen=True)

    player_id: int
    traces: tuple[str, ...]
    names: tuple[str, ...] = ()  # those of the traces that are what they are called
    media: tuple[str, ...]  # hashes of the clips' files
    lessons: tuple[str, ...]  # uids


def new_place() -> str:
    """Name a place for an erasure's words; it tells nothing of whom they are."""
    return uuid.uuid4().hex


def keep_words(record: Record, place: str, words: SoughtWords) -> None:
    """Put the words where a crash leaves them."""
    folder = record.files.lesson_folder(place)
    write_whole(folder / FILE, words.model_dump_json().encode())
    sync_folder(folder.parent)
    record.files.publish_lesson(place)


def kept_words(record: Record, place: str) -> SoughtWords | None:
    """Read the words again; None where they are gone."""
    try:
        text = (record.files.lesson_folder(place) / FILE).read_bytes()
    except FileNotFoundError:
        return None
    return SoughtWords.model_validate_json(text)


def forget_words(record: Record, place: str) -> None:
    """Remove the words; safe to repeat."""
    record.files.remove_lesson(place)


def places(session: Session) -> set[str]:
    """Name the places of all erasures that are under way."""
    plans: Iterable[dict[str, list[str]]] = session.scalars(
        select(Erasure.plan).where(Erasure.finished_at.is_(None))
    )
    return {place for plan in plans for place in plan.get(KEPT, [])}
