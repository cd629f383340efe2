"""Sign in and out, what a player sees of their own, and the gate before every other page."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import anyio.to_thread
from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import select
from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.accounts import PLAYER, SignedIn, note_audit, sign_in, sign_out, signed_in
from lessonmark.lessons.jobs import read_lesson_findings
from lessonmark.lessons.listing import load_lesson
from lessonmark.lessons.record import Clip, Lesson, Player, Swing
from lessonmark.lessons.store import Record
from lessonmark.lessons.whose import acting_as, anybody
from lessonmark.web.desk import TheDesk
from lessonmark.web.pages import page
from lessonmark.web.security import checked_csrf, read_cookies
from lessonmark.web.sheet_rows import sheet_rows

__all__ = ["AccountGate", "only_for_role", "router"]

router = APIRouter()
COOKIE = "lessonmark_account"
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
        status = 500

        async def note(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        with acting_as(who.whose):
            try:
                await self._app(scope, receive, note)
            finally:
                await anyio.to_thread.run_sync(self._note, scope, who, status)

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

    def _note(self, scope: Scope, who: SignedIn, status: int) -> None:
        route = getattr(scope.get("route"), "path", "?")
        if any(part in route for part in NOT_NOTED):
            return
        with anybody():
            note_audit(
                self._record,
                account_id=who.account_id,
                did=f"{scope['method']} {route}",
                player_id=_player_of(self._record, scope.get("path_params", {})),
                status=status,
            )


def only_for_role(request: Request) -> None:
    """Refuse a player everything but their own sheets; runs before every page."""
    who: SignedIn | None = getattr(request.state, "account", None)
    if who is not None and who.role == PLAYER and request.scope["route"].path not in FOR_PLAYERS:
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
        findings = read_lesson_findings(lesson)
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


def _player_of(record: Record, params: dict[str, object]) -> int | None:
    """Find whose page was asked for, by the numbers in its address."""
    with record.reading() as session:
        match params:
            case {"player_id": player_id}:
                # Of a player who was just erased, not even the number is kept.
                found = session.scalar(select(Player.id).where(Player.id == _int(player_id)))
            case {"lesson_id": lesson_id}:
                found = session.scalar(select(Lesson.player_id).where(Lesson.id == _int(lesson_id)))
            case {"clip_id": clip_id}:
                found = session.scalar(select(Clip.player_id).where(Clip.id == _int(clip_id)))
            case {"swing_id": swing_id}:
                found = session.scalar(
                    select(Clip.player_id)
                    .join(Swing, Swing.clip_id == Clip.id)
                    .where(Swing.id == _int(swing_id))
                )
            case _:
                found = None
    return _int(found)


def _int(value: object) -> int | None:
    text = str(value)
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None
