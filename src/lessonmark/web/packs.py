"""The lesson's pack: what goes in, made in one action, and what came out."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Request
from fastapi.responses import FileResponse, JSONResponse, RedirectResponse, Response
from pydantic import BaseModel, Field, field_validator

from lessonmark.errors import RecordError
from lessonmark.evidence.wording import verdict_word
from lessonmark.language import languages, say, speaking, spoken
from lessonmark.lessons.coach_library import coach_library
from lessonmark.lessons.findings import Findings
from lessonmark.lessons.jobs import read_lesson_findings, swing_key
from lessonmark.lessons.listing import NotInRecord, load_lesson
from lessonmark.lessons.record import Lesson, PackOrder, PackState
from lessonmark.pack import wording
from lessonmark.pack.bundle import FILES
from lessonmark.pack.coach_words import CoachWords
from lessonmark.pack.message import draft_message
from lessonmark.pack.packer import pack_folder, words_for_pack
from lessonmark.pack.paper import PaperSize
from lessonmark.pack.said_again import said_again
from lessonmark.pack.talking_points import as_text, draft_talking_points
from lessonmark.pack.unnamed import where_the_name_stands
from lessonmark.web.claim_rows import ClaimRows, claim_rows
from lessonmark.web.desk import Desk, TheDesk
from lessonmark.web.forms import Line, Text
from lessonmark.web.pages import page
from lessonmark.web.passage_rows import passage_rows
from lessonmark.web.security import checked_csrf

__all__ = ["router"]

router = APIRouter()
PAPER_NAMES = {PaperSize.A4: "A4", PaperSize.LETTER: "US Letter"}
BUSY = (PackState.WAITING, PackState.WORKING)
# The sheet is one file with its styles, pictures and typeface inside, and nothing else.
SHEET_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; "
    "form-action 'none'; base-uri 'none'; frame-ancestors 'none'; sandbox"
)
SHOWN_TYPES = {"review.mp4": "video/mp4", "card.png": "image/png", "sheet.html": "text/html"}


class PackForm(BaseModel):
    """What the coach wants in the pack."""

    language: Annotated[str, Field(max_length=16)]
    drafted_in: Annotated[str, Field(max_length=16)] = ""  # the language that the texts stand in
    papers: list[PaperSize] = Field(default_factory=list, max_length=2)
    with_name: bool = False
    with_voice: bool = False
    coach: Line = ""
    talking_points: Text = ""
    message: Text = ""
    action: Literal["make", "keep", "draft"] = "make"

    @field_validator("language")
    @classmethod
    def _has_a_catalogue(cls, name: str) -> str:
        if name not in languages():
            raise ValueError(f"no catalogue for {name!r}")
        return name


@router.get("/lessons/{lesson_id}/pack")
def show_pack(request: Request, desk: TheDesk, lesson_id: int) -> Response:
    """Show what goes into the pack, and the pack that is there."""
    with desk.record.reading() as session:
        lesson = load_lesson(session, lesson_id)
        findings = read_lesson_findings(lesson)
        order = lesson.pack or _first_order()
        passages = passage_rows(session, lesson, findings)
        words = _words(desk, lesson, order, order.language)
        draft = _drafts(findings, words, order, order.language) if findings else ("", "")
        folder = pack_folder(desk.record.files, lesson)
        there = [name for name in FILES if folder and (folder / name).is_file()]
        return page(
            request,
            "pack.html",
            lesson=lesson,
            player=lesson.player,
            order=order,
            busy=order.state in BUSY and lesson.pack is not None,
            findings=findings,
            verdicts=_verdicts(said_again(findings) if findings else None),
            points=order.talking_points or draft[0],
            message=order.message or draft[1],
            claims=claim_rows(findings, order, lesson.passages, drafts=draft, words=words)
            if findings
            else ClaimRows(),
            named=() if order.with_name else _named(lesson, order),
            languages=languages(),
            papers=[(size, PAPER_NAMES[size]) for size in PaperSize],
            passages=passages,
            in_viewer=False,
            there=there,
            ready_message=_read(folder, "message.txt") if folder else "",
            step=_step(findings, lesson),
        )


@router.post("/lessons/{lesson_id}/pack", dependencies=[checked_csrf])
def order_pack(desk: TheDesk, lesson_id: int, form: Annotated[PackForm, Form()]) -> Response:
    """Keep what is wanted, and make the pack in the background."""
    with desk.record.writing() as session:
        lesson = load_lesson(session, lesson_id)
        findings = read_lesson_findings(lesson)
        if findings is None:
            raise RecordError(
                say("there is nothing to put into a pack yet"),
                do=say("bring clips in, and name a focus"),
            )
        order = lesson.pack or _first_order()
        lesson.pack = order
        drafted_in = form.drafted_in if form.drafted_in in languages() else order.language
        old = _drafts(findings, _words(desk, lesson, order, drafted_in), order, drafted_in)
        order.language, order.with_name, order.with_voice = (
            form.language,
            form.with_name,
            form.with_voice,
        )
        order.papers = " ".join(size.value for size in PaperSize if size in form.papers)
        order.coach = form.coach
        # An untouched draft is drafted again when the pack is made: the numbers may move.
        fresh = form.action == "draft"
        order.talking_points = (
            "" if fresh or _same(form.talking_points, old[0]) else form.talking_points
        )
        order.message = "" if fresh or _same(form.message, old[1]) else form.message
        if form.action == "make":
            order.state, order.progress, order.doing = PackState.WAITING, 0.0, ""
            order.problem = order.problem_do = ""
            order.asked_at = datetime.now(UTC)
    desk.packer.wake()
    return _to(lesson_id, {"make": "made", "keep": "claims", "draft": ""}[form.action])


@router.post("/lessons/{lesson_id}/pack/stop", dependencies=[checked_csrf])
def stop_pack(desk: TheDesk, lesson_id: int) -> Response:
    """Stop the making; an older pack stays."""
    with desk.record.writing() as session:
        order = load_lesson(session, lesson_id).pack
        if order is not None and order.state in BUSY:
            order.state, order.doing = PackState.STOPPED, ""
    return _to(lesson_id, "made")


@router.get("/lessons/{lesson_id}/pack/state.json")
def tell_state(desk: TheDesk, lesson_id: int) -> Response:
    """Tell how far the pack is."""
    with desk.record.reading() as session:
        order = load_lesson(session, lesson_id).pack
        return JSONResponse(
            {
                "busy": order is not None and order.state in BUSY,
                "progress": order.progress if order else 0.0,
                "doing": order.doing if order else "",
            }
        )


@router.get("/lessons/{lesson_id}/pack/files/{name}")
def send_file(desk: TheDesk, lesson_id: int, name: str) -> Response:
    """Send a part of the pack, by its name in the list: no name from outside reaches the disk."""
    with desk.record.reading() as session:
        folder = pack_folder(desk.record.files, load_lesson(session, lesson_id))
    if folder is None or name not in FILES or not (folder / name).is_file():
        raise _not_there()
    if name == "sheet.html":
        policy = {"content-security-policy": SHEET_POLICY}
        return FileResponse(folder / name, media_type="text/html", headers=policy)
    if name in SHOWN_TYPES:
        return FileResponse(folder / name, media_type=SHOWN_TYPES[name])
    return FileResponse(folder / name, filename=name)


@router.get("/lessons/{lesson_id}/pack.zip")
def send_zip(desk: TheDesk, lesson_id: int) -> Response:
    """Send the whole pack."""
    with desk.record.reading() as session:
        folder = pack_folder(desk.record.files, load_lesson(session, lesson_id))
    path = folder.with_name(f"{folder.name}.zip") if folder else None
    if path is None or not path.is_file():
        raise _not_there()
    return FileResponse(path, media_type="application/zip", filename=path.name)


def _first_order() -> PackOrder:
    """Give what a coach finds chosen at first: their page's language, no name, their voice."""
    return PackOrder(
        language=spoken(),
        papers=PaperSize.A4.value,
        with_name=False,
        with_voice=True,
        coach="",
        talking_points="",
        message="",
        state=PackState.STOPPED,
        progress=0.0,
        doing="",
        problem="",
        problem_do="",
        made_at=None,
    )


def _words(desk: Desk, lesson: Lesson, order: PackOrder, language: str) -> CoachWords:
    with speaking(language):
        return words_for_pack(lesson, order.coach, coach_library(desk.record.files.folder))


def _drafts(
    findings: Findings, words: CoachWords, order: PackOrder, language: str
) -> tuple[str, str]:
    """Draft talking points and message in a language."""
    with speaking(language):
        points = as_text(draft_talking_points(findings, words))
        return points, draft_message(findings, words, name_in_message=order.with_name)


def _same(text: str, draft: str) -> bool:
    """Compare as a form sends it back: its own line ends, no blanks around."""
    return text.split() == draft.split()


def _named(lesson: Lesson, order: PackOrder) -> tuple[str, ...]:
    """Name the coach's texts that hold the player's name although it shall not be shown."""
    plan = [cue.words for cue in lesson.cues] + [f"{one.name} {one.dose}" for one in lesson.drills]
    causes = [step.words for step in lesson.causes]
    texts = {
        say("the lesson's title"): lesson.title,
        say("the plan"): "\n".join(plan),
        say("the chain of causes"): "\n".join(causes),
        say("the talking points"): order.talking_points,
        say("the message"): order.message,
    }
    return where_the_name_stands(lesson.player.name, texts)


def _verdicts(findings: Findings | None) -> list[tuple[str, str, str]]:
    return [
        (
            wording.capital(wording.measure_title(one.name, one.at)),
            verdict_word(one.change.verdict),
            wording.difference_words(one.change, one.unit),
        )
        for one in (findings.focus if findings else ())
    ]


def _step(findings: Findings | None, lesson: Lesson) -> str:
    """Give the address where a passage is recorded: the first focus measure's pair of swings."""
    pair = next((one for one in (findings.focus if findings else ()) if one.pictures), None)
    keys = {
        swing_key(clip, swing.number): swing.id for clip in lesson.clips for swing in clip.swings
    }
    if pair is not None and pair.pictures is not None:
        before = keys.get(pair.pictures.before.swing_id)
        after = keys.get(pair.pictures.after.swing_id)
        if before and after:
            return f"/swings/{before}?{urlencode({'beside': after, 'at': str(pair.at)})}#voice"
    first = next(iter(keys.values()), None)
    return f"/swings/{first}#voice" if first else ""


def _read(folder: Path, name: str) -> str:
    path = folder / name
    return path.read_text(encoding="utf-8") if path.is_file() else ""


def _not_there() -> NotInRecord:
    return NotInRecord(say("this part of the pack is not there"), do=say("make the pack again"))


def _to(lesson_id: int, anchor: str) -> Response:
    return RedirectResponse(
        f"/lessons/{lesson_id}/pack" + (f"#{anchor}" if anchor else ""), status_code=303
    )
