"""A player's measure over time: the coach's target window, and the picture to take along."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Form
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel, Field

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.listing import NotInRecord, load_player
from lessonmark.lessons.player_course import course_choices, player_course, set_target
from lessonmark.pack.course_chart import course_chart
from lessonmark.web.course_rows import chosen_measure
from lessonmark.web.desk import TheDesk
from lessonmark.web.forms import Blank, Line
from lessonmark.web.security import checked_csrf

__all__ = ["router"]

router = APIRouter()
Number = Annotated[float | None, Blank, Field(allow_inf_nan=False)]


class TargetForm(BaseModel):
    """A target window; an empty end is open, two empty ends are no window."""

    measure: Annotated[Line, Field(min_length=1)]  # 'face-on side_bend@P6'
    low: Number = None
    high: Number = None


@router.post("/players/{player_id}/target", dependencies=[checked_csrf])
def keep_target(desk: TheDesk, player_id: int, form: Annotated[TargetForm, Form()]) -> Response:
    """Set the window that the coach wants a measure to lie in."""
    chosen = chosen_measure(form.measure, (), desk.analyser.catalogue())
    assert chosen is not None  # for the types: the form's measure is not empty
    if form.low is not None and form.high is not None and not form.low < form.high:
        raise RecordError(
            say("a target window's low end lies below its high end"),
            do=say("go back and correct it; nothing was changed"),
        )
    with desk.record.writing() as session:
        load_player(session, player_id)
        set_target(session, player_id, *chosen, form.low, form.high)
    query = urlencode({"measure": form.measure})
    return RedirectResponse(f"/players/{player_id}?{query}#lasting", status_code=303)


@router.get("/players/{player_id}/course.svg")
def send_course(desk: TheDesk, player_id: int, measure: str = "") -> Response:
    """Hand over the picture on its own, without links."""
    with desk.record.reading() as session:
        load_player(session, player_id)
        choices = course_choices(session, player_id)
        chosen = chosen_measure(measure[:120], choices, desk.analyser.catalogue())
        svg = course_chart(player_course(session, player_id, *chosen).course) if chosen else ""
    if not svg:
        raise NotInRecord(
            say("there is no such picture"), do=say("choose a measure on the player's page")
        )
    return Response(svg, media_type="image/svg+xml")
