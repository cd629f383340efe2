"""Stop a clip's measuring, measure a lesson anew, and show what its sheet said before."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.evidence.wording import verdict_word
from lessonmark.language import say
from lessonmark.lessons.arrivals import measure_anew
from lessonmark.lessons.former import former_findings, is_old, read_former
from lessonmark.lessons.listing import NotInRecord, load_lesson
from lessonmark.lessons.record import Clip, FormerFinding, Lesson
from lessonmark.lessons.store import Record
from lessonmark.lessons.turns import is_news, put_on_screen, withdraw
from lessonmark.pack import wording
from lessonmark.web.clips import load_clip
from lessonmark.web.desk import TheDesk
from lessonmark.web.pages import page
from lessonmark.web.security import checked_csrf
from lessonmark.web.sheet_rows import is_busy

__all__ = ["router", "show_first", "version_rows"]

router = APIRouter()


@router.post("/clips/{clip_id}/stop", dependencies=[checked_csrf])
def stop_clip(desk: TheDesk, clip_id: int) -> Response:
    """Take a clip out of the queue."""
    with desk.record.writing() as session:
        clip = load_clip(session, clip_id)
        withdraw(session, clip)
        lesson_id = clip.lesson_id
    return RedirectResponse(f"/lessons/{lesson_id}#clips", status_code=303)


@router.post("/lessons/{lesson_id}/again", dependencies=[checked_csrf])
def measure_lesson_anew(desk: TheDesk, lesson_id: int) -> Response:
    """Measure the clips that another version of the program measured; what they said is kept."""
    with desk.record.writing() as session:
        lesson = load_lesson(session, lesson_id)
        for clip in lesson.clips:
            if is_old(clip, heavy=desk.settings.heavy):
                measure_anew(session, clip.id)
    desk.workshop.wake()
    return RedirectResponse(f"/lessons/{lesson_id}#versions", status_code=303)


@router.get("/lessons/{lesson_id}/earlier/{number}")
def show_earlier(request: Request, desk: TheDesk, lesson_id: int, number: int) -> Response:
    """Show what the sheet said before; `number` counts from 1, the oldest."""
    with desk.record.reading() as session:
        lesson = load_lesson(session, lesson_id)
        former = former_findings(session, lesson_id)[::-1]
        if not 1 <= number <= len(former):
            raise NotInRecord(
                say("there is no such earlier result"), do=say("open it from the lesson's page")
            )
        row = former[number - 1]
        return page(
            request,
            "earlier.html",
            lesson=lesson,
            player=lesson.player,
            made_at=row.made_at,
            replaced_at=row.replaced_at,
            made_with=_words(row.measured_with),
            rows=[
                {
                    "title": wording.measure_title(one.name, one.at)
                    if one.at.position and one.at.position.value not in one.name
                    else one.name,
                    "verdict": verdict_word(one.change.verdict),
                    "verdict_class": one.change.verdict.name.lower(),
                    "sentence": one.sentence,
                    "difference": wording.difference_words(one.change, one.unit),
                }
                for one in read_former(row).focus
            ],
        )


def version_rows(
    session: Session, lesson: Lesson, *, heavy: bool
) -> dict[str, Any]:  # Any: for a template
    """Say what a lesson was measured with, what this program would use, and what was before."""
    measured = [clip for clip in lesson.clips if clip.finding is not None]
    return {
        "measured_with": _words(", ".join(sorted({clip.measured_with for clip in measured}))),
        # Everything is new but the choice of the network.
        "is_lighter": not any(_is_old_here(clip, heavy=False) for clip in measured),
        "is_old": any(_is_old_here(clip, heavy=heavy) for clip in measured),
        "earlier": [
            {"number": number, "made_at": row.made_at, "made_with": _words(row.measured_with)}
            for number, row in enumerate(_oldest_first(session, lesson), start=1)
        ],
    }


def show_first(record: Record, lesson: Lesson) -> None:
    """Measure the lesson that is on the screen before others, while its clips wait."""
    at = datetime.now(UTC)
    if not is_busy(lesson) or not is_news(lesson, at=at):
        return
    try:
        with record.writing() as session:
            put_on_screen(session, lesson.id, at=at)
    except RecordError:  # a full disk must not keep the page from being read
        return


def _is_old_here(clip: Clip, *, heavy: bool) -> bool:
    # A clip from before versions were kept, or of a stand-in, has none to compare.
    return clip.measured_with != "" and is_old(clip, heavy=heavy)


def _oldest_first(session: Session, lesson: Lesson) -> list[FormerFinding]:
    return former_findings(session, lesson.id)[::-1]


def _words(versions: str) -> str:
    known = ", ".join(one for one in versions.split(", ") if one)
    return known or say("a version from before versions were kept")
