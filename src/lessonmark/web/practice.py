"""Plan the practice after a lesson, and hold practice swings against a drill's checkpoint."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel, Field

from lessonmark.drills.calendar import plan_calendar
from lessonmark.drills.library import find_drill
from lessonmark.drills.plan import PracticePlan
from lessonmark.drills.plan_page import plan_page
from lessonmark.language import say
from lessonmark.lessons.attempts import keep_attempt
from lessonmark.lessons.coach_library import coach_library
from lessonmark.lessons.listing import NotInRecord, load_lesson
from lessonmark.lessons.planned import PlanTime, plan_lesson, read_plan
from lessonmark.lessons.record import Lesson
from lessonmark.pack.plan_again import plan_again
from lessonmark.web.desk import Desk, TheDesk
from lessonmark.web.forms import Blank, Line
from lessonmark.web.security import checked_csrf

__all__ = ["router"]

router = APIRouter()


class PlanTimeForm(BaseModel):
    """What the player has until the next lesson."""

    starts_on: Annotated[date | None, Blank] = None
    minutes: Annotated[int, Field(ge=1, le=3000)] = 100
    days: Annotated[int, Field(ge=1, le=6)] = 3
    sport_hours: Annotated[float | None, Blank, Field(ge=0, le=100)] = None
    lay_off: bool = False
    back: bool = False


class AttemptForm(BaseModel):
    """The drill that the swings were tries of."""

    drill: Annotated[Line, Field(min_length=1)]


@router.post("/lessons/{lesson_id}/practice-plan", dependencies=[checked_csrf])
def make_plan(desk: TheDesk, lesson_id: int, form: Annotated[PlanTimeForm, Form()]) -> Response:
    """Plan the practice until the next lesson and keep the plan."""
    library = coach_library(desk.record.files.folder)
    with desk.record.writing() as session:
        plan_lesson(
            load_lesson(session, lesson_id),
            library,
            PlanTime(
                start=form.starts_on or date.today(),
                minutes_a_week=form.minutes,
                days_a_week=form.days,
                sport_hours_a_week=form.sport_hours or 0.0,
                lay_off=form.lay_off,
                back=form.back,
            ),
        )
    return _to(lesson_id)


@router.get("/lessons/{lesson_id}/plan.html")
def send_plan_page(desk: TheDesk, lesson_id: int) -> Response:
    """Hand the plan over as a page that needs nothing else."""
    with desk.record.reading() as session:
        lesson = load_lesson(session, lesson_id)
        text = plan_page(_kept(desk, lesson), handedness=lesson.player.handedness)
    return Response(
        text,
        media_type="text/html; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="plan.html"'},
    )


@router.get("/lessons/{lesson_id}/plan.ics")
def send_plan_calendar(desk: TheDesk, lesson_id: int) -> Response:
    """Hand the plan over as a calendar."""
    with desk.record.reading() as session:
        lesson = load_lesson(session, lesson_id)
        plan = _kept(desk, lesson)
        made_at = lesson.planned.made_at if lesson.planned else datetime.now(UTC)
        content = plan_calendar(plan, made_at=made_at, plan_id=lesson.uid)
    return Response(
        content,
        media_type="text/calendar",
        headers={"content-disposition": 'attachment; filename="plan.ics"'},
    )


@router.post("/lessons/{lesson_id}/attempts", dependencies=[checked_csrf])
def try_checkpoint(desk: TheDesk, lesson_id: int, form: Annotated[AttemptForm, Form()]) -> Response:
    """Judge the swings against a drill's checkpoint and keep what became of it."""
    drill = find_drill(coach_library(desk.record.files.folder), form.drill)
    with desk.record.writing() as session:
        keep_attempt(session, load_lesson(session, lesson_id), drill, at=datetime.now(UTC))
    return _to(lesson_id)


def _kept(desk: Desk, lesson: Lesson) -> PracticePlan:
    plan = read_plan(lesson)
    if plan is None:
        raise NotInRecord(
            say("no practice is planned after this lesson"), do=say("plan it on the lesson's page")
        )
    return plan_again(plan, coach_library(desk.record.files.folder))


def _to(lesson_id: int) -> Response:
    return RedirectResponse(f"/lessons/{lesson_id}#plan", status_code=303)
