"""Put the pages together."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import Depends, FastAPI, HTTPException, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import ValidationError
from sqlalchemy.exc import DataError
from starlette.exceptions import HTTPException as StarletteHTTPException
from starlette.staticfiles import StaticFiles

from lessonmark.errors import LessonmarkError
from lessonmark.language import say
from lessonmark.lessons.analyser import Analyser
from lessonmark.lessons.cluster import ClusterDriver, ClusterWork, scheduler
from lessonmark.lessons.listing import NotInRecord
from lessonmark.lessons.store import Record, take_up_work
from lessonmark.lessons.work import Workshop
from lessonmark.pack.packer import Packer
from lessonmark.pack.typeface import font_folder
from lessonmark.web import (
    clips,
    courses,
    drills,
    handover,
    lessons,
    links,
    packs,
    players,
    practice,
    stick,
    viewer,
    voice,
)
from lessonmark.web.accounts import AccountGate, only_for_role
from lessonmark.web.accounts import router as accounts_router
from lessonmark.web.desk import Desk
from lessonmark.web.measuring import router as measuring_router
from lessonmark.web.pages import page
from lessonmark.web.security import Doorkeeper
from lessonmark.web.settings import WebSettings

__all__ = ["create_app"]

STATIC = Path(__file__).parent / "static"
log = logging.getLogger(__name__)


def create_app(
    record: Record, analyser: Analyser, settings: WebSettings | None = None, *, work: bool = True
) -> FastAPI:
    """Make the application.

    Parameters
    ----------
    work : whether clips are analysed in the background; tests may do it themselves.
    """
    settings = settings or WebSettings()
    workshop, packer = Workshop(record, analyser), Packer(record)
    address = scheduler()
    cluster = ClusterDriver(record, address, ClusterWork(heavy=settings.heavy)) if address else None

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        if work:
            take_up_work(record)
            if cluster is None:
                workshop.start()
            else:
                cluster.start()
            packer.start()
        yield
        packer.stop()
        workshop.stop()
        if work and cluster is not None:
            cluster.stop()

    app = FastAPI(
        lifespan=life,
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        dependencies=[Depends(only_for_role)],
    )
    app.state.desk = Desk(
        record=record, analyser=analyser, workshop=workshop, packer=packer, settings=settings
    )
    if settings.accounts:
        app.add_middleware(AccountGate, record=record)
        app.include_router(accounts_router)
    app.add_middleware(Doorkeeper, settings=settings)  # the outermost: nothing comes before it
    app.mount("/static/fonts", _Unchanging(directory=font_folder()))
    app.mount("/static", _Unchanging(directory=STATIC))
    for part in (
        players,
        courses,
        drills,
        handover,
        clips,
        lessons,
        links,
        practice,
        stick,
        viewer,
        voice,
        packs,
    ):
        app.include_router(part.router)
    app.include_router(measuring_router)
    app.add_exception_handler(LessonmarkError, _say_error)
    app.add_exception_handler(StarletteHTTPException, _say_error)
    app.add_exception_handler(RequestValidationError, _say_error)
    app.add_exception_handler(ValidationError, _say_error)
    for impossible in (OverflowError, UnicodeError, DataError):
        # A number that no database holds, or letters that are none: nothing of ours is named so.
        app.add_exception_handler(impossible, _say_error)
    return app


class _Unchanging(StaticFiles):
    """Files of the package: a browser may keep them, and asks whether they changed."""

    def file_response(self, *args: object, **kwargs: object) -> Response:
        response = super().file_response(*args, **kwargs)  # type: ignore[arg-type]
        response.headers["cache-control"] = "private, no-cache"
        return response


async def _say_error(request: Request, error: Exception) -> Response:
    what, do, status = _words(error)
    if request.url.path.endswith(".json") or "application/json" in request.headers.get(
        "accept", ""
    ):
        return JSONResponse({"what": what, "do": do}, status_code=status)
    return page(request, "trouble.html", status=status, what=what, do=do)


def _words(error: Exception) -> tuple[str, str, int]:
    if isinstance(error, NotInRecord):
        return error.what, error.do, 404
    if isinstance(error, LessonmarkError):
        return error.what, error.do, 409
    if isinstance(error, RequestValidationError):
        fields = ", ".join(sorted({str(one["loc"][-1]) for one in error.errors()}))
        return (
            say("something in the form cannot be used: {fields}", fields=fields),
            say("go back and correct it; nothing was changed"),
            422,
        )
    if isinstance(error, ValidationError):  # another program wrote it, or an import was made up
        return (
            say("what is kept of this lesson's results cannot be read"),
            say("measure its clips again; the clips themselves are kept"),
            409,
        )
    if isinstance(error, (OverflowError, UnicodeError, DataError)):
        return (
            say("what was sent cannot be a number or a word of the record"),
            say("go back and correct it; nothing was changed"),
            422,
        )
    if isinstance(error, (HTTPException, StarletteHTTPException)):
        if error.status_code == 404:
            return say("there is no such page"), say("start from the list of players"), 404
        return str(error.detail), "", error.status_code
    raise error
