"""Which drill works, over this coach's players."""

from __future__ import annotations

from dataclasses import dataclass
from threading import Lock

from fastapi import APIRouter, Request
from fastapi.responses import Response

from lessonmark.drills.wording import checkpoint_sentence
from lessonmark.evidence.drill_outcome import drill_sentence, often_words
from lessonmark.language import spoken
from lessonmark.lessons.coach_library import coach_library
from lessonmark.lessons.drill_record import DrillRow, attempts_sentence, drill_record, record_state
from lessonmark.web.desk import TheDesk
from lessonmark.web.pages import page

__all__ = ["router"]

router = APIRouter()


@dataclass(frozen=True, kw_only=True)
class _Found:
    state: tuple[object, ...]
    rows: tuple[DrillRow, ...]


class _Kept:
    """The last estimate: a mixed model over all players takes a while and changes seldom."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._found: _Found | None = None

    def rows(self, desk: TheDesk) -> tuple[DrillRow, ...]:
        """Give the rows, made anew where the record or the language changed."""
        library = coach_library(desk.record.files.folder)
        with self._lock, desk.record.reading() as session:
            state = (str(desk.record.files.folder), spoken(), library, *record_state(session))
            if self._found is None or self._found.state != state:
                self._found = _Found(state=state, rows=drill_record(session, library))
            return self._found.rows


_kept = _Kept()


@router.get("/drills")
def show_drills(request: Request, desk: TheDesk) -> Response:
    """Show the library, and how each drill did over the players."""
    library = coach_library(desk.record.files.folder)
    rows = [_row(one) for one in _kept.rows(desk)]
    return page(
        request,
        "drills.html",
        told=[row for row in rows if row["moved"]],
        refused=[row for row in rows if not row["moved"]],
        library=[(one.said().name, checkpoint_sentence(one.checkpoint)) for one in library],
    )


def _row(one: DrillRow) -> dict[str, object]:
    effect = one.effect
    return {
        "drill": one.drill,
        "measure": one.measure,
        "view": one.view,
        "moved": often_words(effect.moved) if effect.moved else "",
        "lasted": often_words(effect.lasted) if effect.lasted else "",
        "sentence": drill_sentence(effect, one.drill, one.measure),
        "attempts": attempts_sentence(one.attempts) if one.attempts else "",
    }
