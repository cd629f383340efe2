"""Who may ask, and what a page may do: hosts, token, session, CSRF, headers, size limits.

The answers follow OWASP's cheat sheets (CSRF prevention: synchroniser token bound to the session
by HMAC, and same-site cookies; HTTP headers) from memory.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, urlencode, urlsplit

from babel import negotiate_locale
from fastapi import Depends, HTTPException, Request
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from lessonmark.language import SOURCE_LANGUAGE, languages, say, speaking
from lessonmark.web.settings import LOOPBACK_HOSTS, WebSettings

__all__ = ["CSRF_FIELD", "CSRF_HEADER", "Doorkeeper", "checked_csrf", "csrf_token", "read_cookies"]

SESSION_COOKIE = "lessonmark_session"
TOKEN_COOKIE = "lessonmark_token"
CSRF_FIELD = "csrf"
CSRF_HEADER = "x-lessonmark-csrf"
TOKEN_QUERY = "token"
_SESSION = re.compile(r"[A-Za-z0-9_-]{32}")
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_COOKIE = "HttpOnly; SameSite=Strict; Path=/"

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
        "font-src 'self'; connect-src 'self'; media-src 'self'; form-action 'self'; "
        "base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not 'no-referrer': a browser then sends the pages' own forms with the origin 'null'.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "x-robots-tag": "noindex",
}

HEARING = HEADERS["permissions-policy"].replace("microphone=()", "microphone=(self)")


class Doorkeeper:
    """Let nobody in who may not, and send every answer out with its headers."""

    def __init__(self, app: ASGIApp, settings: WebSettings) -> None:
        self._app = app
        self._settings = settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        cookies = read_cookies(headers)
        fresh: list[str] = []
        session = cookies.get(SESSION_COOKIE, "")
        if not _looks_right(session):
            session = secrets.token_urlsafe(24)
            fresh.append(f"{SESSION_COOKIE}={session}; {_COOKIE}")
        scope.setdefault("state", {})["session"] = session
        scope["state"]["settings"] = self._settings

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                if _host_of(headers.get("host", "")) in LOOPBACK_HOSTS:
                    # The coach's own computer: only there may the pages hear.
                    out.setdefault("permissions-policy", HEARING)
                for name, value in HEADERS.items():
                    out.setdefault(name, value)
                # A page shows people: no copy of it stays in a cache that others may read.
                out.setdefault("cache-control", "no-store")
                for cookie in fresh:
                    out.append("set-cookie", cookie)
            await send(message)

        refusal = self._refuse(scope, headers)
        if refusal is not None:
            await refusal(scope, receive, answer)
            return
        if self._settings.token is not None:
            given = dict(parse_qsl(scope["query_string"].decode("latin-1")))
            if _same(given.get(TOKEN_QUERY, ""), self._settings.token):
                del given[TOKEN_QUERY]
                fresh.append(f"{TOKEN_COOKIE}={self._settings.token}; {_COOKIE}")
                query = f"?{urlencode(given)}" if given else ""
                # Out of the address line, so that nobody copies it along with the page.
                go = RedirectResponse(scope["path"] + query, status_code=303)
                await go(scope, receive, answer)
                return
            if not _same(cookies.get(TOKEN_COOKIE, ""), self._settings.token):
                no = PlainTextResponse(
                    say("Open the address with its token that the coach's computer shows."),
                    status_code=401,
                )
                await no(scope, receive, answer)
                return
        with speaking(_language(self._settings, headers)):
            await self._app(scope, receive, answer)

    def _refuse(self, scope: Scope, headers: Headers) -> PlainTextResponse | None:
        """Refuse a strange host (DNS rebinding), a strange origin, or too much at once."""
        if _host_of(headers.get("host", "")) not in self._settings.hosts:
            return PlainTextResponse(say("This address is not served here."), status_code=421)
        if scope["method"] in _SAFE:
            return None
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc != headers.get("host"):
            return PlainTextResponse(say("Forms of other sites are not taken."), status_code=403)
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return PlainTextResponse(say("Forms of other sites are not taken."), status_code=403)
        length = headers.get("content-length", "")
        if not length.isdigit():
            return PlainTextResponse(say("The length of what comes must be said."), status_code=411)
        limit = _limit_bytes(scope["path"], self._settings)
        if int(length) > limit:
            return PlainTextResponse(
                say("This is more than {limit} MB at once.", limit=limit // 1_000_000),
                status_code=413,
            )
        return None


def _limit_bytes(path: str, settings: WebSettings) -> int:
    if path.endswith(("/clips", "/clips/form", "/import")):
        return settings.clip_limit_bytes
    return settings.voice_limit_bytes if path.endswith("/passages") else settings.form_limit_bytes


def csrf_token(request: Request) -> str:
    """Give the token that a form of this session must send back."""
    settings: WebSettings = request.state.settings
    session: str = request.state.session
    return hmac.new(settings.secret, session.encode(), hashlib.sha256).hexdigest()


async def _check_csrf(request: Request) -> None:
    given = request.headers.get(CSRF_HEADER)
    if given is None:
        kind = request.headers.get("content-type", "")
        if kind.startswith(("multipart/form-data", "application/x-www-form-urlencoded")):
            field = (await request.form()).get(CSRF_FIELD)
            given = field if isinstance(field, str) else None
    if given is None or not _same(given, csrf_token(request)):
        raise HTTPException(
            status_code=403,
            detail=say("This page is too old to be sent. Reload it and try again."),
        )


checked_csrf = Depends(_check_csrf)


def read_cookies(headers: Headers) -> dict[str, str]:
    """Read a browser's cookies; none where they are no cookies."""
    try:
        return {name: one.value for name, one in SimpleCookie(headers.get("cookie", "")).items()}
    except CookieError:
        return {}


def _looks_right(session: str) -> bool:
    return _SESSION.fullmatch(session) is not None


def _same(given: str, right: str) -> bool:
    return hmac.compare_digest(given.encode(), right.encode())


def _host_of(host: str) -> str:
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


def _language(settings: WebSettings, headers: Headers) -> str:
    if settings.language is not None:
        return settings.language
    wished = [part.split(";")[0].strip() for part in headers.get("accept-language", "").split(",")]
    return negotiate_locale(wished, languages(), sep="-") or SOURCE_LANGUAGE
