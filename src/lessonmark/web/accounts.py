"""Sign in and out, what a player sees of their own, and the gate before every other page."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Annotated, Any

import anyio.to_thread
from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Select, select
from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.accounts import PLAYER, SignedIn, note_audit, sign_in, sign_out, signed_in
from lessonmark.lessons.jobs import read_lesson_findings
from lessonmark.lessons.listing import load_lesson
from lessonmark.lessons.record import Clip, Lesson, Passage, Player, Swing
from lessonmark.lessons.store import Record
from lessonmark.lessons.whose import acting_as, anybody
from lessonmark.pack.said_again import said_again
from lessonmark.web.desk import TheDesk
from lessonmark.web.pages import page
from lessonmark.web.security import checked_csrf, read_cookies
from lessonmark.web.sheet_rows import sheet_rows

__all__ = ["WHOSE", "AccountGate", "only_for_role", "player_of", "router"]

router = APIRouter()
COOKIE = "lessonmark_account"
ASKED_OF = "asked_of"  # in a request's state: the player whose page it is
OPEN = ("/static/", "/sign-in")
# A player sees finished sheets, never the coach's own notes or forms.
FOR_PLAYERS = frozenset(
    {
        "/mine",
        "/mine/lessons/{lesson_id}",
        "/lessons/{lesson_id}/pictures/{number}",
        "/sign-out",
    }
)
_PLAYERS_PAGE = re.compile(r"/players/(\d+)")
NOT_NOTED = ("state.json", "/frames", "/static/")  # asked every second, of what is open anyway


class AccountGate:
    """Answer nobody who has not signed in, and everybody only with their own."""

    def __init__(self, app: ASGIApp, record: Record) -> None:
        self._app = app
        self._record = record

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"].startswith(OPEN):
            await self._app(scope, receive, send)
            return
        token = read_cookies(Headers(scope=scope)).get(COOKIE, "")
        who = await anyio.to_thread.run_sync(self._who, token)
        if who is None:
            await self._ask_in(scope, receive, send)
            return
        if who.role == PLAYER and scope["path"] == "/":
            await RedirectResponse("/mine", status_code=303)(scope, receive, send)
            return
        scope["state"]["account"] = who
        status, made = 500, None

        async def note(message: Message) -> None:
            nonlocal status, made
            if message["type"] == "http.response.start":
                status = message["status"]
                made = _made_player(message)
            await send(message)

        with acting_as(who.whose):
            try:
                await self._app(scope, receive, note)
            finally:
                await anyio.to_thread.run_sync(self._note, scope, who, status, made)

    def _who(self, token: str) -> SignedIn | None:
        return signed_in(self._record, token, at=datetime.now(UTC)) if token else None

    async def _ask_in(self, scope: Scope, receive: Receive, send: Send) -> None:
        accepted = Headers(scope=scope).get("accept", "")
        wants_page = scope["method"] == "GET" and "application/json" not in accepted
        answer: Response = (
            RedirectResponse("/sign-in", status_code=303)
            if wants_page
            else PlainTextResponse(say("Sign in first."), status_code=401)
        )
        await answer(scope, receive, send)

    def _note(self, scope: Scope, who: SignedIn, status: int, made: int | None) -> None:
        route = getattr(scope.get("route"), "path", "?")
        if any(part in route for part in NOT_NOTED):
            return
        asked_of = scope["state"].get(ASKED_OF, made)
        with anybody():
            note_audit(
                self._record,
                account_id=who.account_id,
                did=f"{scope['method']} {route}",
                # Of a player who was just erased, not even the number is kept.
                player_id=player_of(self._record, {"player_id": asked_of}),
                status=status,
            )


def only_for_role(request: Request, desk: TheDesk) -> None:
    """Refuse a player everything but their own sheets; runs before every page."""
    who: SignedIn | None = getattr(request.state, "account", None)
    if who is None:
        return
    with anybody():  # before the page: what it removes leads to nobody afterwards
        player_id = player_of(desk.record, request.path_params)
    if player_id is not None:
        request.scope["state"][ASKED_OF] = player_id
    if who.role == PLAYER and request.scope["route"].path not in FOR_PLAYERS:
        raise HTTPException(status_code=404)


@router.get("/sign-in")
def ask_in(request: Request) -> Response:
    """Ask for name and password."""
    return page(request, "sign_in.html", wrong="")


@router.post("/sign-in", dependencies=[checked_csrf])
def let_in(
    request: Request,
    desk: TheDesk,
    name: Annotated[str, Form(max_length=80)],
    password: Annotated[str, Form(max_length=200)],
) -> Response:
    """Check name and password."""
    try:
        token = sign_in(desk.record, name, password, at=datetime.now(UTC))
        wrong = say("Name or password is wrong.")
    except RecordError as err:
        token, wrong = None, str(err)
    status = 303 if token is not None else 403
    note_audit(desk.record, account_id=None, did="POST /sign-in", player_id=None, status=status)
    if token is None:
        return page(request, "sign_in.html", status=403, wrong=wrong)
    answer = RedirectResponse("/", status_code=303)
    answer.set_cookie(
        COOKIE,
        token,
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
        path="/",
    )
    return answer


@router.post("/sign-out", dependencies=[checked_csrf])
def let_out(request: Request, desk: TheDesk) -> Response:
    """Forget this browser."""
    sign_out(desk.record, request.cookies.get(COOKIE, ""))
    answer = RedirectResponse("/sign-in", status_code=303)
    answer.delete_cookie(COOKIE, path="/")
    return answer


@router.get("/mine")
def show_mine(request: Request, desk: TheDesk) -> Response:
    """List a player's own lessons."""
    who = _player(request)
    with desk.record.reading() as session:
        lessons = session.scalars(
            select(Lesson)
            .where(Lesson.player_id == who.player_id)
            .order_by(Lesson.started_at.desc())
        ).all()
        return page(request, "mine.html", lessons=lessons)


@router.get("/mine/lessons/{lesson_id}")
def show_my_lesson(request: Request, desk: TheDesk, lesson_id: int) -> Response:
    """Show a player what a lesson found and what to practise; nothing that the coach noted."""
    _player(request)
    with desk.record.reading() as session:
        lesson = load_lesson(session, lesson_id)
        stored = read_lesson_findings(lesson)
        findings = said_again(stored) if stored else None
        focus = sheet_rows(findings, lesson)[0] if findings else []
        return page(
            request,
            "my_lesson.html",
            lesson=lesson,
            focus=focus,
            cautions=findings.cautions if findings else (),
        )


def _player(request: Request) -> SignedIn:
    who: SignedIn | None = getattr(request.state, "account", None)
    if who is None or who.role != PLAYER:
        raise HTTPException(status_code=404)
    return who


def player_of(record: Record, params: Mapping[str, object]) -> int | None:
    """Find whose page was asked for, by the numbers in its address; None: nobody's."""
    name = next((one for one in WHOSE if one in params), None)
    number = None if name is None else _int(params[name])
    if name is None or number is None:
        return None
    with record.reading() as session:
        found: int | None = session.scalar(WHOSE[name](number))
        return found


# The numbers that stand in addresses, the narrowest first, and whose they are.
WHOSE: dict[str, Callable[[int], Select[Any]]] = {
    "passage_id": lambda number: (
        select(Lesson.player_id)
        .join(Passage, Passage.lesson_id == Lesson.id)
        .where(Passage.id == number)
    ),
    "swing_id": lambda number: (
        select(Clip.player_id).join(Swing, Swing.clip_id == Clip.id).where(Swing.id == number)
    ),
    "clip_id": lambda number: select(Clip.player_id).where(Clip.id == number),
    "lesson_id": lambda number: select(Lesson.player_id).where(Lesson.id == number),
    "player_id": lambda number: select(Player.id).where(Player.id == number),
}


def _made_player(answer: Message) -> int | None:
    """Read which player an answer leads to: one that was just entered or taken in."""
    where = Headers(raw=answer["headers"]).get("location", "")
    found = _PLAYERS_PAGE.fullmatch(where)
    return _int(found[1]) if found else None


def _int(value: object) -> int | None:
    text = str(value)
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None
