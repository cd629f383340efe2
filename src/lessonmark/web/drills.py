"""Which drill works, over this coach's players."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock

from fastapi import APIRouter, Request
from fastapi.responses import Response

from lessonmark.drills.wording import checkpoint_sentence
from lessonmark.evidence.drill_outcome import drill_sentence, often_words
from lessonmark.language import spoken
from lessonmark.lessons.coach_library import coach_library
from lessonmark.lessons.drill_record import DrillRow, attempts_sentence, drill_record, record_state
from lessonmark.lessons.whose import whose_now
from lessonmark.web.desk import TheDesk
from lessonmark.web.pages import page

__all__ = ["router"]

router = APIRouter()
KEPT = 8  # coaches whose estimates are kept at once


@dataclass(frozen=True, kw_only=True)
class _Found:
    state: tuple[object, ...]
    rows: tuple[DrillRow, ...]


class _Kept:
    """The last estimate: a mixed model over all players takes a while and changes seldom."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._found: OrderedDict[object, _Found] = OrderedDict()  # by who asks

    def rows(self, desk: TheDesk) -> tuple[DrillRow, ...]:
        """Give the rows, made anew where the record or the language changed."""
        library = coach_library(desk.record.files.folder)
        asks = (whose_now(), str(desk.record.files.folder))
        with self._lock, desk.record.reading() as session:
            state = (spoken(), library, *record_state(session))
            found = self._found.get(asks)
            if found is None or found.state != state:
                found = _Found(state=state, rows=drill_record(session, library))
                self._found[asks] = found
            self._found.move_to_end(asks)
            while len(self._found) > KEPT:
                self._found.popitem(last=False)
            return found.rows


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
