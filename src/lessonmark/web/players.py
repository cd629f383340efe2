"""The list of players, and a player's page."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel, Field

from lessonmark.lessons.folding import fold
from lessonmark.lessons.listing import (
    LessonLine,
    lesson_lines,
    list_players,
    load_player,
)
from lessonmark.lessons.player_course import course_choices
from lessonmark.lessons.record import InjuryNote, LessonKind, Player
from lessonmark.web.course_rows import chosen_measure, course_rows
from lessonmark.web.desk import TheDesk
from lessonmark.web.forms import Blank, Line, Text
from lessonmark.web.pages import page
from lessonmark.web.security import checked_csrf
from lessonmark.words import Handedness

__all__ = ["router"]

router = APIRouter()
A_PAGE = 100
ADULT_YEARS = 18


class PlayerForm(BaseModel):
    """A player as a form sends them; bounds as in lesson.toml."""

    name: Annotated[Line, Field(min_length=1)]
    handedness: Handedness = Handedness.RIGHT
    stature_cm: Annotated[float | None, Blank, Field(ge=100, le=230)] = None
    birth_year: Annotated[int | None, Blank, Field(ge=1900, le=2100)] = None
    note: Text = ""
    guardian: Line = ""


class ConsentForm(BaseModel):
    """Who agreed to the filming, and when; no date takes it back."""

    consent_on: Annotated[date | None, Blank] = None
    consent_by: Line = ""


class InjuryForm(BaseModel):
    """What the player said hurts."""

    noted_on: date
    words: Annotated[Text, Field(min_length=1)]


@router.get("/")
def show_players(request: Request, desk: TheDesk, q: str = "", start: int = 0) -> Response:
    """List players, or those that the search finds."""
    start = max(start, 0)
    with desk.record.reading() as session:
        players, total = list_players(session, search=q[:200], limit=A_PAGE, start=start)
    return page(
        request,
        "players.html",
        players=players,
        total=total,
        search=q[:200],
        start=start,
        a_page=A_PAGE,
        partial=request.headers.get("x-lessonmark-part") == "list",
    )


@router.get("/players/new")
def ask_player(request: Request) -> Response:
    """Show an empty form."""
    return page(request, "player_form.html", player=None)


@router.post("/players", dependencies=[checked_csrf])
def add_player(desk: TheDesk, form: Annotated[PlayerForm, Form()]) -> Response:
    """Take a new player in."""
    with desk.record.writing() as session:
        player = Player(**form.model_dump(), search=fold(form.name)[:400])
        session.add(player)
        session.flush()
        player_id = player.id
    return _to(player_id)


@router.get("/players/{player_id}")
def show_player(request: Request, desk: TheDesk, player_id: int, measure: str = "") -> Response:
    """Show a player over time; `measure` is the one whose course is drawn."""
    catalogue = desk.analyser.catalogue()
    with desk.record.reading() as session:
        player = load_player(session, player_id)
        lessons = lesson_lines(session, player_id)
        choices = course_choices(session, player_id)
        chosen = chosen_measure(measure[:120], choices, catalogue)
        return page(
            request,
            "player.html",
            player=player,
            lessons=lessons,
            minor=is_minor(player, date.today()),
            next_on=max((one.next_on for one in lessons if one.next_on), default=None),
            today=date.today(),
            drills=_latest_drills(lessons),
            **course_rows(session, player_id, chosen, choices, catalogue),
        )


@router.get("/players/{player_id}/edit")
def ask_changes(request: Request, desk: TheDesk, player_id: int) -> Response:
    """Show the form with what is known."""
    with desk.record.reading() as session:
        return page(request, "player_form.html", player=load_player(session, player_id))


@router.post("/players/{player_id}", dependencies=[checked_csrf])
def change_player(desk: TheDesk, player_id: int, form: Annotated[PlayerForm, Form()]) -> Response:
    """Keep what was changed."""
    with desk.record.writing() as session:
        player = load_player(session, player_id)
        for name, value in form.model_dump().items():
            setattr(player, name, value)
        player.search = fold(form.name)[:400]
    return _to(player_id)


@router.post("/players/{player_id}/consent", dependencies=[checked_csrf])
def keep_consent(desk: TheDesk, player_id: int, form: Annotated[ConsentForm, Form()]) -> Response:
    """Keep who agreed and when."""
    with desk.record.writing() as session:
        player = load_player(session, player_id)
        player.consent_on = form.consent_on
        player.consent_by = form.consent_by if form.consent_on else ""
    return _to(player_id)


@router.post("/players/{player_id}/injuries", dependencies=[checked_csrf])
def add_injury(desk: TheDesk, player_id: int, form: Annotated[InjuryForm, Form()]) -> Response:
    """Keep what the player said hurts."""
    with desk.record.writing() as session:
        player = load_player(session, player_id)
        player.injuries.append(InjuryNote(**form.model_dump()))
    return _to(player_id)


def is_minor(player: Player, today: date) -> bool:
    """Whether the player may be under age: the birthday is not known, so the year decides."""
    return player.birth_year is not None and today.year - player.birth_year <= ADULT_YEARS


def _latest_drills(lessons: tuple[LessonLine, ...]) -> tuple[str, ...]:
    newest = next((one for one in lessons if one.kind is LessonKind.LESSON and one.drills), None)
    return newest.drills if newest else ()


def _to(player_id: int) -> Response:
    return RedirectResponse(f"/players/{player_id}", status_code=303)
