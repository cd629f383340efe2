"""The lesson's page: the sheet, alive."""

from __future__ import annotations

import itertools
import logging
from datetime import UTC, date, datetime, time
from typing import Annotated, TypeVar

from fastapi import APIRouter, Form, Request
from fastapi.responses import FileResponse, JSONResponse, RedirectResponse, Response
from pydantic import BaseModel, Field

from lessonmark.errors import LessonmarkError, RecordError
from lessonmark.language import say
from lessonmark.lessons.arrivals import mark_stale
from lessonmark.lessons.between_lessons import between, has_earlier_focus, set_kind
from lessonmark.lessons.coach_library import coach_library
from lessonmark.lessons.jobs import read_lesson_findings, swing_key
from lessonmark.lessons.listing import NotInRecord, load_lesson, load_player
from lessonmark.lessons.plans import (
    FOCUS_MAX,
    DrillPlan,
    FocusChoice,
    choose_pictures,
    index_lesson,
    library_link,
    set_cues,
    set_drills,
    set_focus,
)
from lessonmark.lessons.record import ClipState, Lesson, LessonKind
from lessonmark.lessons.work import judge_lesson, tell_trouble
from lessonmark.pack.said_again import said_again
from lessonmark.web.desk import Desk, TheDesk
from lessonmark.web.forms import Blank, Line, Text
from lessonmark.web.links import link_rows
from lessonmark.web.measuring import show_first, version_rows
from lessonmark.web.pages import page
from lessonmark.web.plan_rows import plan_rows
from lessonmark.web.security import checked_csrf
from lessonmark.web.sheet_rows import (
    all_stills,
    clip_line,
    focus_options,
    focus_wishes,
    is_busy,
    sheet_rows,
    state_words,
)
from lessonmark.words import Stage, View

__all__ = ["router"]

router = APIRouter()
log = logging.getLogger(__name__)
T = TypeVar("T")


class FactsForm(BaseModel):
    """What a lesson is about; the club's bounds as in lesson.toml."""

    title: Line = ""
    started_on: Annotated[date | None, Blank] = None
    club: Line = ""
    club_length_cm: Annotated[float | None, Blank, Field(ge=45.7, le=121.9)] = None
    note: Text = ""
    next_on: Annotated[date | None, Blank] = None


class NewLessonForm(BaseModel):
    """A lesson before its first clip."""

    kind: LessonKind = LessonKind.LESSON
    title: Line = ""
    club: Line = ""


class FocusForm(BaseModel):
    """Up to three rows; an empty measure is no row."""

    measure: list[str] = Field(max_length=FOCUS_MAX, default_factory=list)  # 'face-on side_bend@P6'
    direction: list[str] = Field(max_length=FOCUS_MAX, default_factory=list)
    smallest: list[Annotated[float | None, Blank]] = Field(
        max_length=FOCUS_MAX, default_factory=list
    )


class PlanForm(BaseModel):
    """Cues, one a line, and the drills with their dose."""

    cues: Text = ""
    known: list[Line] = Field(default_factory=list, max_length=12)  # ids in the library
    drill: list[Line] = Field(default_factory=list, max_length=12)
    set_on: list[Annotated[date | None, Blank]] = Field(default_factory=list, max_length=12)
    dose: list[Line] = Field(default_factory=list, max_length=12)
    minutes: list[Annotated[int | None, Blank]] = Field(default_factory=list, max_length=12)
    sets: list[Annotated[int | None, Blank]] = Field(default_factory=list, max_length=12)
    balls: list[Annotated[int | None, Blank]] = Field(default_factory=list, max_length=12)
    next_on: Annotated[date | None, Blank] = None


class PicturesForm(BaseModel):
    """Which two swings stand beside each other."""

    at: str
    view: View
    before: Annotated[str, Field(max_length=400)]
    after: Annotated[str, Field(max_length=400)]


@router.post("/players/{player_id}/lessons", dependencies=[checked_csrf])
def add_lesson(desk: TheDesk, player_id: int, form: Annotated[NewLessonForm, Form()]) -> Response:
    """Start a lesson or a practice now."""
    with desk.record.writing() as session:
        load_player(session, player_id)
        lesson = Lesson(player_id=player_id, started_at=datetime.now(UTC), **form.model_dump())
        session.add(lesson)
        index_lesson(lesson)
        session.flush()
        lesson_id = lesson.id
    return _to(lesson_id)


@router.get("/lessons/{lesson_id}")
def show_lesson(request: Request, desk: TheDesk, lesson_id: int) -> Response:
    """Show the sheet."""
    with desk.record.reading() as session:
        lesson = load_lesson(session, lesson_id)
        show_first(desk.record, lesson)
        stored = read_lesson_findings(lesson)
        findings = said_again(stored) if stored else None
        options, words = focus_options(desk.analyser.catalogue())
        focus, sides = sheet_rows(findings, lesson) if findings else ([], [])
        return page(
            request,
            "lesson.html",
            lesson=lesson,
            player=lesson.player,
            findings=findings,
            focus=focus,
            sides=sides,
            stages_shown=sorted(
                {clip.stage for clip in lesson.clips}, key=lambda stage: list(Stage).index(stage)
            ),
            stages_offered=_stages_offered(lesson, retest=has_earlier_focus(session, lesson)),
            clips=[clip_line(clip) for clip in lesson.clips],
            busy=is_busy(lesson),
            stale=lesson.finding is not None and lesson.finding.stale,
            wishes=focus_wishes(lesson),
            options=options,
            choice_words=words,
            **version_rows(session, lesson, heavy=desk.settings.heavy),
            **plan_rows(session, lesson, coach_library(desk.record.files.folder)),
            **link_rows(findings, lesson),
            between=between(session, lesson),
            practice=lesson.kind is LessonKind.PRACTICE,
        )


@router.get("/lessons/{lesson_id}/state.json")
def tell_state(desk: TheDesk, lesson_id: int) -> Response:
    """Tell how far the background work is."""
    with desk.record.reading() as session:
        lesson = load_lesson(session, lesson_id)
        show_first(desk.record, lesson)
        return JSONResponse(
            {
                "busy": is_busy(lesson),
                "stale": lesson.finding is not None and lesson.finding.stale,
                "made": lesson.finding.made_at.isoformat() if lesson.finding else None,
                "clips": [
                    {
                        "id": clip.id,
                        "state": clip.state.value,
                        "progress": clip.progress,
                        "words": state_words(clip),
                    }
                    for clip in lesson.clips
                ],
            }
        )


@router.post("/lessons/{lesson_id}", dependencies=[checked_csrf])
def change_facts(desk: TheDesk, lesson_id: int, form: Annotated[FactsForm, Form()]) -> Response:
    """Keep what the lesson is about."""
    with desk.record.writing() as session:
        lesson = load_lesson(session, lesson_id)
        if form.started_on is not None:
            clock = lesson.started_at.astimezone().timetz() if lesson.started_at else time(12)
            lesson.started_at = datetime.combine(form.started_on, clock)
        for name in ("title", "club", "note", "next_on"):
            setattr(lesson, name, getattr(form, name))
        if lesson.club_length_cm != form.club_length_cm:
            lesson.club_length_cm = form.club_length_cm
            # The club's length is part of the scale: its clips must be measured anew.
            for clip in lesson.clips:
                clip.state, clip.progress = ClipState.WAITING, 0.0
        index_lesson(lesson)
        mark_stale(lesson)
    desk.workshop.wake()
    return _to(lesson_id)


@router.post("/lessons/{lesson_id}/focus", dependencies=[checked_csrf])
def change_focus(desk: TheDesk, lesson_id: int, form: Annotated[FocusForm, Form()]) -> Response:
    """Name the focus measures; the verdicts follow at once, the pictures a little later."""
    choices = []
    for measure, direction, smallest in zip(
        form.measure, form.direction, form.smallest, strict=False
    ):
        if measure:
            view, _, at = measure.partition(" ")
            if view not in {one.value for one in View}:
                raise RecordError(
                    say("there is no measure of that name"), do=say("choose one from the list")
                )
            choices.append(
                FocusChoice(at=at, view=View(view), direction=direction, smallest_worth=smallest)
            )
    with desk.record.writing() as session:
        lesson = load_lesson(session, lesson_id)
        set_focus(session, lesson, choices, desk.analyser.catalogue())
    _judge(desk, lesson_id)
    return _to(lesson_id)


@router.post("/lessons/{lesson_id}/kind", dependencies=[checked_csrf])
def change_kind(desk: TheDesk, lesson_id: int, kind: Annotated[LessonKind, Form()]) -> Response:
    """Say whether this was a lesson or practice between lessons."""
    with desk.record.writing() as session:
        set_kind(session, lesson_id, kind)
    desk.workshop.wake()
    return _to(lesson_id)


@router.post("/lessons/{lesson_id}/judge", dependencies=[checked_csrf])
def judge_again(desk: TheDesk, lesson_id: int) -> Response:
    """Try again what could not be judged."""
    with desk.record.reading() as session:
        load_lesson(session, lesson_id)
    _judge(desk, lesson_id)
    return _to(lesson_id)


@router.post("/lessons/{lesson_id}/plan", dependencies=[checked_csrf])
def change_plan(desk: TheDesk, lesson_id: int, form: Annotated[PlanForm, Form()]) -> Response:
    """Write cues, set drills with their dose, and the next date."""
    names = {drill.id: drill.said().name for drill in coach_library(desk.record.files.folder)}
    rows = [
        library_link(name, known, names)
        for name, known in itertools.zip_longest(form.drill, form.known, fillvalue="")
    ]
    with desk.record.writing() as session:
        lesson = load_lesson(session, lesson_id)
        set_cues(lesson, form.cues.splitlines())
        set_drills(
            lesson,
            [
                DrillPlan(
                    name=name,
                    drill=drill,
                    dose=_nth(form.dose, n) or "",
                    minutes=_nth(form.minutes, n),
                    sets=_nth(form.sets, n),
                    balls=_nth(form.balls, n),
                    set_on=_nth(form.set_on, n),
                )
                for n, (name, drill) in enumerate(rows)
                if name
            ],
        )
        lesson.next_on = form.next_on
    desk.workshop.wake()
    return _to(lesson_id, "plan")


@router.post("/lessons/{lesson_id}/pictures", dependencies=[checked_csrf])
def change_pictures(
    desk: TheDesk, lesson_id: int, form: Annotated[PicturesForm, Form()]
) -> Response:
    """Choose a pair; the background cuts it."""
    with desk.record.writing() as session:
        lesson = load_lesson(session, lesson_id)
        known = {swing_key(clip, swing.number) for clip in lesson.clips for swing in clip.swings}
        if not {form.before, form.after} <= known:
            raise NotInRecord(say("this swing is not in the lesson"), do=say("reload the page"))
        choose_pictures(session, lesson, **form.model_dump())
    desk.workshop.wake()
    return _to(lesson_id)


@router.get("/lessons/{lesson_id}/pictures/{number}")
def send_picture(desk: TheDesk, lesson_id: int, number: int) -> Response:
    """Send a still by its place among the findings: no name from outside reaches the disk."""
    with desk.record.reading() as session:
        lesson = load_lesson(session, lesson_id)
        findings = read_lesson_findings(lesson)
        stills = all_stills(findings) if findings else []
        if not 0 <= number < len(stills):
            raise NotInRecord(say("there is no such picture"), do=say("reload the page"))
        path = desk.record.files.lesson_folder(lesson.uid) / "pictures" / stills[number].jpeg
    if not path.is_file():
        raise NotInRecord(say("this picture is being made again"), do=say("wait a moment"))
    return FileResponse(path, media_type="image/jpeg")


def _judge(desk: Desk, lesson_id: int) -> None:
    """Judge at once, and let the background cut the pictures."""
    try:
        judge_lesson(desk.record, desk.analyser, lesson_id, pictures=False)
    except LessonmarkError as err:
        log.warning("a lesson is not judged yet: %s", err)
        tell_trouble(desk.record, lesson_id, err)  # the coach's wish is kept
    desk.workshop.wake()


def _stages_offered(lesson: Lesson, *, retest: bool) -> list[Stage]:
    usual = (
        {Stage.PRACTICE}
        if lesson.kind is LessonKind.PRACTICE
        else {Stage.BEFORE, Stage.DRILL, Stage.AFTER}
    )
    if retest:
        usual.add(Stage.RETEST)
    there = {clip.stage for clip in lesson.clips}
    return [stage for stage in Stage if stage in usual or stage in there]


def _nth(values: list[T], n: int) -> T | None:
    return values[n] if n < len(values) else None


def _to(lesson_id: int, anchor: str = "") -> Response:
    return RedirectResponse(
        f"/lessons/{lesson_id}" + (f"#{anchor}" if anchor else ""), status_code=303
    )
