"""What moves with what on a lesson's page, and the chain of causes that the coach types there."""

from __future__ import annotations

import itertools
import logging
from typing import Annotated, Any

from fastapi import APIRouter, Form
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel, Field

from lessonmark.errors import LessonmarkError
from lessonmark.lessons.findings import Findings
from lessonmark.lessons.listing import load_lesson
from lessonmark.lessons.plans import CAUSES_MAX, CauseChoice, set_causes
from lessonmark.lessons.record import Lesson
from lessonmark.lessons.work import judge_lesson
from lessonmark.pack.links_words import show_links
from lessonmark.web.desk import TheDesk
from lessonmark.web.forms import Line
from lessonmark.web.security import checked_csrf

__all__ = ["link_rows", "router"]

router = APIRouter()
FIRST_STEPS, SPARE_STEPS = 4, 1  # rows of the form
log = logging.getLogger(__name__)


class CausesForm(BaseModel):
    """The chain, first cause first; a row without words and measure is no step."""

    words: list[Line] = Field(max_length=CAUSES_MAX, default_factory=list)
    shown_by: list[Line] = Field(max_length=CAUSES_MAX, default_factory=list)  # 'face-on hinge@P6'
    way: list[Line] = Field(max_length=CAUSES_MAX, default_factory=list)


def link_rows(findings: Findings | None, lesson: Lesson) -> dict[str, Any]:
    """Gather the graph, the chain as judged, and the rows of its form."""
    steps: list[dict[str, str]] = [
        {"words": one.words, "at": one.at, "way": one.way} for one in lesson.causes
    ]
    empty = {"words": "", "at": "", "way": "more"}
    return {
        "links": show_links(findings.links) if findings else None,
        "chain": findings.chain if findings else (),
        "causes": (steps + [empty] * max(SPARE_STEPS, FIRST_STEPS - len(steps)))[:CAUSES_MAX],
    }


@router.post("/lessons/{lesson_id}/causes", dependencies=[checked_csrf])
def change_causes(desk: TheDesk, lesson_id: int, form: Annotated[CausesForm, Form()]) -> Response:
    """Keep the coach's chain and hold it against the swings at once."""
    rows = itertools.zip_longest(form.words, form.shown_by, form.way, fillvalue="")
    steps = [
        CauseChoice(words=words, at=shown_by.rpartition(" ")[2], way=way or "more")
        for words, shown_by, way in rows
        if words or shown_by
    ]
    with desk.record.writing() as session:
        set_causes(load_lesson(session, lesson_id), steps, desk.analyser.catalogue())
    try:
        judge_lesson(desk.record, desk.analyser, lesson_id, pictures=False)
    except LessonmarkError as err:
        # The coach's words are kept; the background tries again.
        log.warning("a lesson is not judged yet: %s", err)
    desk.workshop.wake()
    return RedirectResponse(f"/lessons/{lesson_id}#links-title", status_code=303)
