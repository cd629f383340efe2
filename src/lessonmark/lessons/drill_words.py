"""Which drill works, as lines for a terminal."""

from __future__ import annotations

from pathlib import Path

from lessonmark.drills.library import read_library
from lessonmark.evidence.drill_outcome import drill_sentence
from lessonmark.language import say
from lessonmark.lessons.coach_library import coach_library
from lessonmark.lessons.drill_record import attempts_sentence, drill_record
from lessonmark.lessons.store import open_record

__all__ = ["drill_effect_lines"]


def drill_effect_lines(record_folder: Path | None, own_drills: Path | None) -> tuple[str, ...]:
    """Say how each drill did over the record's players, or why that cannot be said.

    Parameters
    ----------
    record_folder : None for the user's own.
    own_drills : a folder of drills besides the library; None for those beside the record.

    Raises
    ------
    RecordError, LessonFileError : the record or a drill's file cannot be used.
    """
    record = open_record(record_folder)
    try:
        library = (
            coach_library(record.files.folder) if own_drills is None else read_library(own_drills)
        )
        with record.reading() as session:
            rows = drill_record(session, library)
    finally:
        record.close()
    if not rows:
        return (
            say(
                "No drill of the library was set in a lesson whose focus it is meant to move; "
                "nothing can be said."
            ),
        )
    return tuple(
        " ".join(
            [
                drill_sentence(row.effect, row.drill, row.measure),
                *([attempts_sentence(row.attempts)] if row.attempts else []),
            ]
        )
        for row in rows
    )
