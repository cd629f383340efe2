"""Bring clips in, correct what was guessed of them, and send their files out."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePath
from typing import Annotated
from urllib.parse import unquote

import anyio.to_thread
from fastapi import APIRouter, Form, Request, UploadFile
from fastapi.responses import FileResponse, JSONResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from lessonmark.errors import LessonmarkError, RecordError
from lessonmark.language import say
from lessonmark.lessons.arrivals import (
    Arrival,
    Arrived,
    bring_in,
    measure_anew,
    set_filming,
    set_stage,
    set_view,
)
from lessonmark.lessons.listing import NotInRecord, load_player
from lessonmark.lessons.record import Clip, LessonKind
from lessonmark.lessons.under_way import drop_refused
from lessonmark.media.probe import probe_clip
from lessonmark.web.desk import Desk, TheDesk
from lessonmark.web.forms import Blank
from lessonmark.web.security import checked_csrf
from lessonmark.words import Stage, View

__all__ = ["router"]

router = APIRouter()
FIRST_CAMERA_YEAR = 1995
CLOCKS_DIFFER = timedelta(days=2)  # a time zone set wrong, and a day
MEDIA_TYPES = {
    ".mp4": "video/mp4",
    ".m4v": "video/mp4",
    ".mov": "video/quicktime",
    ".webm": "video/webm",
    ".mkv": "video/x-matroska",
    ".avi": "video/x-msvideo",
    ".mts": "video/mp2t",
}


@router.post("/players/{player_id}/clips", dependencies=[checked_csrf])
async def receive_clip(
    request: Request,
    desk: TheDesk,
    player_id: int,
    name: str,
    folder: str = "",
    modified_ms: float | None = None,
    lesson_id: int | None = None,
    kind: LessonKind = LessonKind.LESSON,
) -> Response:
    """Take one file in as the body of the request, hashed as it comes."""
    with desk.record.reading() as session:
        load_player(session, player_id)
    with desk.record.files.receiving(limit_bytes=desk.settings.clip_limit_bytes) as incoming:
        async for chunk in request.stream():
            await anyio.to_thread.run_sync(incoming.write, chunk)
        kept = await anyio.to_thread.run_sync(
            desk.record.files.keep, incoming, PurePath(name).suffix
        )
    arrival = Arrival(
        kept=kept, name=_plain(name), folder=folder[:400], filmed_at=_moment(modified_ms)
    )
    arrived = await anyio.to_thread.run_sync(_enter, desk, player_id, [arrival], lesson_id, kind)
    one = arrived[0]
    return JSONResponse({"clip": one.clip_id, "lesson": one.lesson_id, "new": one.new})


@router.post("/players/{player_id}/clips/form", dependencies=[checked_csrf])
def receive_form(
    desk: TheDesk,
    player_id: int,
    files: list[UploadFile],
    lesson_id: Annotated[int | None, Form()] = None,
    kind: Annotated[LessonKind, Form()] = LessonKind.LESSON,
) -> Response:
    """Take files in from a plain form, for a browser without scripts."""
    with desk.record.reading() as session:
        load_player(session, player_id)
    arrivals = [
        Arrival(
            kept=desk.record.files.keep_stream(
                file.file,
                PurePath(file.filename or "").suffix,
                limit_bytes=desk.settings.clip_limit_bytes,
            ),
            name=_plain(file.filename or ""),
        )
        for file in files
    ]
    arrived = _enter(desk, player_id, arrivals, lesson_id, kind)
    lesson = arrived[0].lesson_id if arrived else None
    where = f"/lessons/{lesson}" if lesson else f"/players/{player_id}"
    return RedirectResponse(where, status_code=303)


@router.post("/clips/{clip_id}/stage", dependencies=[checked_csrf])
def correct_stage(desk: TheDesk, clip_id: int, stage: Annotated[Stage, Form()]) -> Response:
    """Place a clip in a stage by hand."""
    with desk.record.writing() as session:
        lesson_id = set_stage(session, clip_id, stage).lesson_id
    desk.workshop.wake()
    return RedirectResponse(f"/lessons/{lesson_id}#clips", status_code=303)


@router.post("/clips/{clip_id}/view", dependencies=[checked_csrf])
def correct_view(desk: TheDesk, clip_id: int, view: Annotated[View, Form()]) -> Response:
    """Say where the camera stood."""
    with desk.record.writing() as session:
        lesson_id = set_view(session, clip_id, view).lesson_id
    desk.workshop.wake()
    return RedirectResponse(f"/lessons/{lesson_id}#clips", status_code=303)


class FilmingForm(BaseModel):
    """How a clip was filmed, where the file does not say so; bounds as in lesson.toml."""

    mirrored: bool = False
    fps_declared: Annotated[float | None, Blank, Field(gt=0, le=2000)] = None


@router.post("/clips/{clip_id}/filming", dependencies=[checked_csrf])
def correct_filming(desk: TheDesk, clip_id: int, form: Annotated[FilmingForm, Form()]) -> Response:
    """Say whether left and right are swapped, and how many frames a second were filmed."""
    with desk.record.writing() as session:
        lesson_id = set_filming(session, clip_id, **form.model_dump()).lesson_id
    desk.workshop.wake()
    return RedirectResponse(f"/lessons/{lesson_id}#clips", status_code=303)


@router.post("/clips/{clip_id}/again", dependencies=[checked_csrf])
def try_again(desk: TheDesk, clip_id: int) -> Response:
    """Measure a clip anew."""
    with desk.record.writing() as session:
        lesson_id = measure_anew(session, clip_id).lesson_id
    desk.workshop.wake()
    return RedirectResponse(f"/lessons/{lesson_id}#clips", status_code=303)


@router.get("/clips/{clip_id}/video")
def send_video(desk: TheDesk, clip_id: int) -> Response:
    """Send a clip as it came, in ranges where the browser asks so."""
    with desk.record.reading() as session:
        clip = load_clip(session, clip_id)
        path, suffix = desk.record.files.load(clip.sha256), clip.media.suffix
    return FileResponse(path, media_type=MEDIA_TYPES[suffix], content_disposition_type="inline")


def load_clip(session: Session, clip_id: int) -> Clip:
    """Load a clip; `NotInRecord` where there is none."""
    clip = session.scalar(select(Clip).where(Clip.id == clip_id))
    if clip is None or clip.lesson.player.erasing_since is not None:
        raise NotInRecord(say("this clip is not in the record"), do=say("reload the page"))
    return clip


def _enter(
    desk: Desk,
    player_id: int,
    arrivals: list[Arrival],
    lesson_id: int | None,
    kind: LessonKind,
) -> tuple[Arrived, ...]:
    dated = [_dated(desk, arrival) for arrival in arrivals]
    try:
        with desk.record.writing() as session:
            arrived = bring_in(
                session, player_id, dated, now=datetime.now(UTC), lesson_id=lesson_id, kind=kind
            )
    except RecordError:  # the player may have been erased while the file came in
        drop_refused(desk.record, [arrival.kept for arrival in arrivals])
        raise
    desk.workshop.wake()
    return arrived


def _dated(desk: Desk, arrival: Arrival) -> Arrival:
    """Take the time of filming from the file itself: copying does not change that one."""
    created = _created(desk.record.files.load(arrival.kept.sha256))
    if created is None:
        return arrival
    return Arrival(kept=arrival.kept, name=arrival.name, folder=arrival.folder, filmed_at=created)


def _created(path: Path) -> datetime | None:
    try:
        text = probe_clip(path).created
    except LessonmarkError:
        return None  # the analysis will say what is wrong with it
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return _believable(moment if moment.tzinfo else moment.replace(tzinfo=UTC))


def _moment(modified_ms: float | None) -> datetime | None:
    if modified_ms is None:
        return None
    try:
        return _believable(datetime.fromtimestamp(modified_ms / 1000, tz=UTC))
    except (OverflowError, ValueError, OSError) as err:
        raise RecordError(
            say("the file's date cannot be used"), do=say("set the camera's clock")
        ) from err


def _believable(moment: datetime) -> datetime | None:
    """Keep a time of filming that a camera can have meant; None is taken as 'just now'.

    A clock that was never set starts at 1904 or 1970, and nothing was filmed tomorrow.
    """
    latest = datetime.now(UTC) + CLOCKS_DIFFER
    return moment if moment.year >= FIRST_CAMERA_YEAR and moment <= latest else None


def _plain(name: str) -> str:
    """Keep the last part of a file's name, for the eye only."""
    last = PurePath(unquote(name).replace("\\", "/")).name
    return "".join(char for char in last if char.isprintable())[:255] or say("clip")
