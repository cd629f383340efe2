"""A stick on the target line, clicked on a clip's picture: how square, and what a cm is."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from lessonmark.language import say, say_n
from lessonmark.lessons.arrivals import set_stick
from lessonmark.measures.stick import STICK_CM
from lessonmark.web.clips import load_clip
from lessonmark.web.desk import TheDesk
from lessonmark.web.security import checked_csrf

__all__ = ["router"]

router = APIRouter()
LARGEST_PX = 20_000.0
Pixel = Annotated[float, Field(ge=-LARGEST_PX, le=LARGEST_PX)]


class StickForm(BaseModel):
    """Two clicks; no ends take the stick away."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    ends: tuple[tuple[Pixel, Pixel], tuple[Pixel, Pixel]] | None
    length_cm: Annotated[float, Field(ge=STICK_CM[0], le=STICK_CM[1])] | None = None


@router.post("/clips/{clip_id}/stick", dependencies=[checked_csrf])
def lay_stick(desk: TheDesk, clip_id: int, form: StickForm) -> Response:
    """Keep a stick's ends; the clips of its camera set-up are measured anew with it."""
    with desk.record.writing() as session:
        load_clip(session, clip_id)
        changed = len(set_stick(session, clip_id, form.ends, form.length_cm))
    desk.workshop.wake()
    if not changed:
        return JSONResponse({"said": say("Nothing changed.")})
    said = say_n(
        "Kept: the one clip of this view and stage is measured anew with it.",
        "Kept: the {n} clips of this view and stage are measured anew with it.",
        changed,
    )
    return JSONResponse({"said": said})
