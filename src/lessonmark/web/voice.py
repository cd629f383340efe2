"""Passages that the coach records in the viewer: taken in, listed, played, put in order."""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path
from typing import IO, Annotated

from fastapi import APIRouter, Form, Request, UploadFile
from fastapi.responses import FileResponse, JSONResponse, RedirectResponse, Response
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.jobs import read_lesson_findings
from lessonmark.lessons.listing import load_lesson, load_swing
from lessonmark.lessons.passages import (
    NewPassage,
    keep_passage,
    load_passage,
    move_passage,
    remove_passage,
    sound_path,
)
from lessonmark.lessons.record import Lesson
from lessonmark.pack.take import (
    Ghost,
    Mark,
    PaneShown,
    Pointer,
    Shown,
    ShownLine,
    SwingRef,
    Take,
    take_json,
)
from lessonmark.pack.voice_check import LONGEST_S, CheckedVoice, check_voice
from lessonmark.web.desk import TheDesk
from lessonmark.web.forms import Line
from lessonmark.web.pages import page
from lessonmark.web.passage_rows import passage_rows
from lessonmark.web.security import checked_csrf
from lessonmark.words import View

__all__ = ["router"]

router = APIRouter()
CHUNK_BYTES = 1 << 20
LARGEST_LOG_BYTES = 12_000_000  # ten minutes with the pointer never at rest, and room to spare
SOUND_TYPES = {".webm": "audio/webm", ".ogg": "audio/ogg", ".mp4": "audio/mp4"}

Seconds = Annotated[float, Field(ge=0.0, le=2 * LONGEST_S)]
Pixel = Annotated[float, Field(ge=-1e6, le=1e6)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]


class _Log(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class LineLog(_Log):
    points: list[tuple[Pixel, Pixel]] = Field(min_length=2, max_length=12)
    measured: bool


class GhostLog(_Log):
    s: Annotated[float, Field(ge=-3600.0, le=36_000.0)]
    scale: Annotated[float, Field(ge=0.01, le=100.0)]
    dx: Pixel
    dy: Pixel


class PaneLog(_Log):
    s: Annotated[float, Field(ge=-3600.0, le=36_000.0)]
    crop: tuple[Pixel, Pixel, Pixel, Pixel]
    lines: list[LineLog] = Field(default_factory=list, max_length=24)
    label: Annotated[str, Field(max_length=40)] = ""
    ghost: GhostLog | None = None


class ShownLog(_Log):
    at_s: Seconds
    left: PaneLog | None
    right: PaneLog | None


class PointerLog(_Log):
    at_s: Seconds
    x: Share | None
    y: Share | None


class MarkLog(_Log):
    points: list[tuple[Seconds, Share, Share]] = Field(min_length=1, max_length=20_000)
    until_s: Seconds | None


class ScreenLog(_Log):
    """What the page saw of itself while the coach spoke."""

    swings: list[int] = Field(min_length=1, max_length=2)
    at: Annotated[str, Field(max_length=80)] = ""
    duration_s: Annotated[float, Field(gt=0.0, le=2 * LONGEST_S)]
    shown: list[ShownLog] = Field(max_length=40_000)
    pointer: list[PointerLog] = Field(max_length=40_000)
    marks: list[MarkLog] = Field(max_length=1_000)


@router.get("/lessons/{lesson_id}/passages")
def list_passages(request: Request, desk: TheDesk, lesson_id: int) -> Response:
    """Send the list of passages alone, for the viewer."""
    with desk.record.reading() as session:
        lesson = load_lesson(session, lesson_id)
        rows = passage_rows(session, lesson, read_lesson_findings(lesson))
        return page(request, "passages.html", lesson=lesson, passages=rows, in_viewer=True)


@router.post("/lessons/{lesson_id}/passages", dependencies=[checked_csrf])
def take_passage(
    desk: TheDesk,
    lesson_id: int,
    log: UploadFile,
    sound: UploadFile | None = None,
    instead_of: Annotated[int | None, Form()] = None,
) -> Response:
    """Take a recorded passage in; what is wrong with it leaves the others as they were."""
    seen = _read_log(log)
    with desk.record.reading() as session:
        take, view = _take(session, load_lesson(session, lesson_id), seen)
    heard: bool | None = None
    if sound is None:
        key = keep_passage(
            desk.record, lesson_id, _new(take, seen, view, None), instead_of=instead_of
        )
    else:
        with tempfile.NamedTemporaryFile(dir=desk.record.files.incoming) as scratch:
            sha256 = _receive(sound, scratch, desk.settings.voice_limit_bytes)
            voice = check_voice(Path(scratch.name))
            heard = voice.heard
            key = keep_passage(
                desk.record,
                lesson_id,
                _new(take, seen, view, voice),
                sound=(Path(scratch.name), sha256, voice.suffix),
                instead_of=instead_of,
            )
    return JSONResponse({"id": key, "heard": heard})


@router.get("/passages/{passage_id}/sound")
def send_sound(desk: TheDesk, passage_id: int) -> Response:
    """Send a passage's sound, in ranges."""
    with desk.record.reading() as session:
        row = load_passage(session, passage_id)
        path = sound_path(desk.record.files, load_lesson(session, row.lesson_id), row)
    return FileResponse(path, media_type=SOUND_TYPES[path.suffix])


@router.post("/passages/{passage_id}/caption", dependencies=[checked_csrf])
def change_caption(
    request: Request, desk: TheDesk, passage_id: int, caption: Annotated[Line, Form()] = ""
) -> Response:
    """Say in short what is said, for who cannot hear it."""
    with desk.record.writing() as session:
        row = load_passage(session, passage_id)
        row.caption = caption
        lesson_id = row.lesson_id
    return _back(request, lesson_id)


@router.post("/passages/{passage_id}/move", dependencies=[checked_csrf])
def change_places(
    request: Request, desk: TheDesk, passage_id: int, place_of: Annotated[int, Form()]
) -> Response:
    """Let two passages change places."""
    return _back(request, move_passage(desk.record, passage_id, place_of=place_of))


@router.post("/passages/{passage_id}/remove", dependencies=[checked_csrf])
def remove(request: Request, desk: TheDesk, passage_id: int) -> Response:
    """Remove a passage and its sound."""
    return _back(request, remove_passage(desk.record, passage_id))


def _back(request: Request, lesson_id: int) -> Response:
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"lesson": lesson_id})
    return RedirectResponse(f"/lessons/{lesson_id}/pack#passages", status_code=303)


def _receive(sound: UploadFile, place: IO[bytes], limit_bytes: int) -> str:
    """Copy a recording to the side; gives its hash."""
    digest, size = hashlib.sha256(), 0
    while chunk := sound.file.read(CHUNK_BYTES):
        size += len(chunk)
        if size > limit_bytes:
            raise RecordError(
                say("this recording is larger than {limit} MB", limit=limit_bytes // 1_000_000),
                do=say("say it in several passages"),
            )
        digest.update(chunk)
        place.write(chunk)
    place.flush()
    return digest.hexdigest()


def _read_log(log: UploadFile) -> ScreenLog:
    content = log.file.read(LARGEST_LOG_BYTES + 1)
    if len(content) > LARGEST_LOG_BYTES:
        raise RecordError(
            say("more happened on the screen than can be kept"),
            do=say("say it in several passages"),
        )
    try:
        return ScreenLog.model_validate_json(content)
    except ValidationError as err:
        raise _not_usable() from err


def _take(session: Session, lesson: Lesson, seen: ScreenLog) -> tuple[Take, View | None]:
    swings = [load_swing(session, key) for key in seen.swings]
    if any(swing.clip.player_id != lesson.player_id for swing in swings):
        raise RecordError(
            say("these two swings are of different players"),
            do=say("compare swings of one player"),
        )
    try:
        take = Take(
            focus=None,
            audio=None,
            duration_s=seen.duration_s,
            swings=tuple(
                SwingRef(clip_sha256=swing.clip.sha256, number=swing.number) for swing in swings
            ),
            shown=tuple(
                Shown(at_s=one.at_s, left=_pane(one.left), right=_pane(one.right))
                for one in seen.shown
            ),
            pointer=tuple(Pointer(at_s=one.at_s, x=one.x, y=one.y) for one in seen.pointer),
            marks=tuple(Mark(points=tuple(one.points), until_s=one.until_s) for one in seen.marks),
        )
    except ValueError as err:
        raise _not_usable() from err
    return take, swings[0].clip.view


def _pane(pane: PaneLog | None) -> PaneShown | None:
    if pane is None:
        return None
    return PaneShown(
        s=pane.s,
        crop=pane.crop,
        lines=tuple(
            ShownLine(points=tuple(line.points), measured=line.measured) for line in pane.lines
        ),
        label=pane.label,
        ghost=Ghost(**pane.ghost.model_dump()) if pane.ghost else None,
    )


def _new(take: Take, seen: ScreenLog, view: View | None, voice: CheckedVoice | None) -> NewPassage:
    return NewPassage(
        at=seen.at,
        view=view,
        duration_s=voice.duration_s if voice else min(seen.duration_s, LONGEST_S),
        take=take_json(take),
    )


def _not_usable() -> RecordError:
    return RecordError(
        say("what was on the screen cannot be read"),
        do=say("reload the page and record the passage again; the other passages were kept"),
    )
