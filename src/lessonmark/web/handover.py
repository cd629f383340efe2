"""Privacy by hand: export a player, take one in, erase one with proof."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Form, Request, UploadFile
from fastapi.responses import FileResponse, RedirectResponse, Response
from starlette.background import BackgroundTask

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.erasure import erase_player
from lessonmark.lessons.folding import fold
from lessonmark.lessons.listing import load_player
from lessonmark.lessons.privacy import export_player, import_player
from lessonmark.lessons.row_words import row_words
from lessonmark.web.desk import TheDesk
from lessonmark.web.pages import page
from lessonmark.web.security import checked_csrf

__all__ = ["router"]

router = APIRouter()


@router.get("/players/{player_id}/export")
def export(desk: TheDesk, player_id: int) -> Response:
    """Send everything of one player as a zip."""
    with desk.record.reading() as session:
        load_player(session, player_id)
    scratch = tempfile.TemporaryDirectory(dir=desk.record.files.incoming)
    try:
        path = export_player(desk.record, player_id, Path(scratch.name) / "player.zip")
    except BaseException:
        scratch.cleanup()
        raise
    # Without the player's name: a download's name is seen by others.
    return FileResponse(
        path,
        media_type="application/zip",
        filename=f"player-{player_id}.zip",
        background=BackgroundTask(scratch.cleanup),
    )


@router.get("/import")
def ask_import(request: Request) -> Response:
    """Ask for a zip."""
    return page(request, "import.html")


@router.post("/import", dependencies=[checked_csrf])
def take_in(desk: TheDesk, file: UploadFile) -> Response:
    """Take a player's zip in."""
    with tempfile.NamedTemporaryFile(dir=desk.record.files.incoming) as scratch:
        while chunk := file.file.read(1 << 20):
            scratch.write(chunk)
        scratch.flush()
        player_id = import_player(desk.record, Path(scratch.name))
    desk.workshop.wake()
    return RedirectResponse(f"/players/{player_id}", status_code=303)


@router.get("/players/{player_id}/erase")
def ask_erase(request: Request, desk: TheDesk, player_id: int) -> Response:
    """Ask once more, by name."""
    with desk.record.reading() as session:
        player = load_player(session, player_id)
        return page(
            request,
            "erase.html",
            player=player,
            clips=sum(len(lesson.clips) for lesson in player.lessons),
        )


@router.post("/players/{player_id}/erase", dependencies=[checked_csrf])
def erase(
    request: Request, desk: TheDesk, player_id: int, name: Annotated[str, Form()]
) -> Response:
    """Erase a player whose name was typed, and show the proof."""
    with desk.record.reading() as session:
        if fold(name) != fold(load_player(session, player_id).name):
            raise RecordError(
                say("the name that was typed is not this player's"),
                do=say("go back and type it as it stands there; nothing was erased"),
            )
    report = erase_player(desk.record, player_id)
    return page(
        request,
        "erased.html",
        report=report,
        things=row_words(report.rows),
        one_file=desk.record.is_sqlite,
    )
