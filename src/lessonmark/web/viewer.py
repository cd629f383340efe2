"""The swing viewer: two swings beside each other, stepped by frame or by position."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Request
from fastapi.responses import FileResponse, JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.evidence.wording import verdict_word
from lessonmark.language import say
from lessonmark.lessons.corrections import move_landmark, move_position, undo_last
from lessonmark.lessons.findings import Findings, FocusFinding
from lessonmark.lessons.jobs import (
    clip_job,
    moves_of,
    read_lesson_findings,
    read_swing,
    shown_swing,
)
from lessonmark.lessons.listing import load_swing
from lessonmark.lessons.record import Clip, Lesson, Swing
from lessonmark.lessons.under_way import at_work
from lessonmark.measures.measured import MeasureAt
from lessonmark.media.proxies import Proxy
from lessonmark.pack import wording
from lessonmark.pack.said_again import say_again
from lessonmark.pack.voice_check import LONGEST_S
from lessonmark.web.clips import load_clip
from lessonmark.web.desk import Desk, TheDesk
from lessonmark.web.pages import page
from lessonmark.web.passage_rows import swing_title
from lessonmark.web.security import checked_csrf
from lessonmark.words import Position

__all__ = ["router"]

router = APIRouter()
FRAME_PACK_TYPE = "application/octet-stream"


class _Moved(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class MovedLandmarkForm(_Moved):
    """A landmark that was dragged."""

    keypoint: Annotated[str, Field(max_length=40)]
    s: float
    x: float
    y: float


class MovedPositionForm(_Moved):
    """A position that was dragged."""

    position: Position
    s: float


@router.get("/swings/{swing_id}")
def show_swing(
    request: Request,
    desk: TheDesk,
    swing_id: int,
    beside: int | None = None,
    at: str = "",
) -> Response:
    """Show one swing, or two beside each other."""
    with desk.record.reading() as session:
        swing = load_swing(session, swing_id)
        lesson = swing.clip.lesson
        other = load_swing(session, beside) if beside is not None else None
        if other is not None and other.clip.player_id != swing.clip.player_id:
            raise RecordError(
                say("these two swings are of different players"),
                do=say("compare swings of one player"),
            )
        measures = _measures(desk, swing)
        wanted = at if at in {key for key, _ in measures} else _focus_at(lesson, measures)
        return page(
            request,
            "viewer.html",
            lesson=lesson,
            player=lesson.player,
            swing=swing,
            other=other,
            at=wanted,
            measures=measures,
            choices=_choices(session, swing),
            title=swing_title(swing),
            other_title=swing_title(other) if other else "",
            longest_passage_s=LONGEST_S,
        )


@router.get("/swings/{swing_id}/look.json")
def tell_look(desk: TheDesk, swing_id: int) -> Response:
    """Tell all that is drawn over a swing."""
    with desk.record.reading() as session:
        return JSONResponse(_look(desk, load_swing(session, swing_id)))


@router.get("/swings/{swing_id}/curve.json")
def tell_curve(desk: TheDesk, swing_id: int, at: str) -> Response:
    """Tell a measure along the swing."""
    with desk.record.reading() as session:
        swing = load_swing(session, swing_id)
        try:
            measure = MeasureAt.parse(at)
        except ValueError as err:
            raise RecordError(
                say("there is no measure of that name"), do=say("choose one from the list")
            ) from err
        curve = desk.analyser.curve(
            clip_job(desk.record.files, swing.clip),
            shown_swing(swing, read_lesson_findings(swing.clip.lesson)),
            moves_of(swing.clip, swing.number),
            measure,
        )
    return JSONResponse(
        {
            "times": curve.times,
            "values": curve.values,
            "lines": [{"kind": one.kind, "points": one.points} for one in curve.lines],
        }
    )


@router.post("/swings/{swing_id}/landmark", dependencies=[checked_csrf])
def drag_landmark(desk: TheDesk, swing_id: int, form: MovedLandmarkForm) -> Response:
    """Put a landmark where the coach dragged it; the numbers follow at once."""
    move_landmark(
        desk.record,
        desk.analyser,
        swing_id,
        keypoint=form.keypoint,
        at_s=form.s,
        x_px=form.x,
        y_px=form.y,
    )
    return _after(desk, swing_id)


@router.post("/swings/{swing_id}/position", dependencies=[checked_csrf])
def drag_position(desk: TheDesk, swing_id: int, form: MovedPositionForm) -> Response:
    """Put a position where the coach dragged it; the numbers follow at once."""
    move_position(desk.record, desk.analyser, swing_id, position=form.position, at_s=form.s)
    return _after(desk, swing_id)


@router.post("/swings/{swing_id}/undo", dependencies=[checked_csrf])
def undo(desk: TheDesk, swing_id: int) -> Response:
    """Take the last correction back."""
    undo_last(desk.record, desk.analyser, swing_id)
    return _after(desk, swing_id)


@router.get("/clips/{clip_id}/frames.json")
def tell_frames(desk: TheDesk, clip_id: int) -> Response:
    """Tell where each frame lies in the clip's frame pack."""
    pack = _frames(desk, clip_id)
    return JSONResponse(
        {
            "width": pack.width,
            "height": pack.height,
            "full": {"width": pack.width / pack.scale, "height": pack.height / pack.scale},
            "times": pack.s,
            "offsets": pack.start,
        }
    )


@router.get("/clips/{clip_id}/frames")
def send_frames(desk: TheDesk, clip_id: int) -> Response:
    """Send a clip's frame pack, in ranges."""
    return FileResponse(_frames(desk, clip_id).path, media_type=FRAME_PACK_TYPE)


def _frames(desk: Desk, clip_id: int) -> Proxy:
    with desk.record.reading() as session:
        sha256 = load_clip(session, clip_id).sha256
    with at_work(desk.record, media=[sha256]):
        with desk.record.reading() as session:
            job = clip_job(desk.record.files, load_clip(session, clip_id), pictures=True)
        pack = desk.analyser.frame_pack(job)
        desk.record.files.publish_frames(sha256)
        return pack


def _after(desk: Desk, swing_id: int) -> Response:
    desk.workshop.wake()
    with desk.record.reading() as session:
        return JSONResponse(_look(desk, load_swing(session, swing_id)))


def _look(desk: Desk, swing: Swing) -> dict[str, object]:
    clip = swing.clip
    findings = read_lesson_findings(clip.lesson)
    found = shown_swing(swing, findings)
    units = _units(desk, findings)
    look = desk.analyser.look(
        clip_job(desk.record.files, clip), found, moves_of(clip, swing.number)
    )
    standing = [
        one
        for one in clip.corrections
        if one.swing_number == swing.number and one.undone_at is None
    ]
    return {
        "id": swing.id,
        "title": swing_title(swing),
        "stage": clip.stage.value,
        "frames": f"/clips/{clip.id}/frames",
        "times": look.times,
        "paths": look.paths,
        "joined": look.joined,
        "toward": look.toward,
        "ball": look.ball,
        "span": [found.span_s[0], found.span_s[1]],
        "positions": {
            position.value: {
                "s": at.time.s,
                "se": at.time.se,
                "how": say_again(at.how),
                "by_hand": at.by_hand,
            }
            for position, at in found.positions.found.items()
        },
        "missing": {p.value: say_again(why) for p, why in found.positions.missing.items()},
        "values": {
            at: {
                "value": one.value,
                "se": one.se,
                "total": one.total_se,
                "words": wording.measured_words(one, _unit_at(at, units)),
            }
            for at, one in found.values.items()
        },
        "refused": {at: say_again(one.reason) for at, one in found.refused.items()},
        "corrections": [
            {"kind": one.kind.value, "name": one.name, "s": one.at_s} for one in standing
        ],
        "verdicts": [_verdict(one) for one in findings.focus] if findings else [],
        "units": {at: wording.unit_sign(unit) for at, unit in units.items()},
    }


def _verdict(one: FocusFinding) -> dict[str, object]:
    return {
        "at": str(one.at),
        "title": say_again(one.name),
        "verdict": verdict_word(one.change.verdict),
        "difference": wording.difference_words(one.change, one.unit),
        "sentence": say_again(one.sentence),
    }


def _units(desk: Desk, findings: Findings | None) -> dict[str, str]:
    units = {str(one.at): one.unit for one in desk.analyser.catalogue()}
    if findings is not None:
        # Without a scale a length comes in % of the torso: the findings know.
        units |= {str(one.at): one.unit for one in findings.focus}
        units |= {str(one.at): one.unit for one in findings.side_effects}
    return units


def _unit_at(at: str, units: dict[str, str]) -> str:
    """Give a value's unit: its own, or that of the same measure at another position."""
    if at in units:
        return units[at]
    measure = MeasureAt.parse(at).measure
    return next(
        (unit for key, unit in units.items() if MeasureAt.parse(key).measure == measure), ""
    )


def _measures(desk: Desk, swing: Swing) -> list[tuple[str, str]]:
    found = read_swing(swing)
    there = {*found.values, *found.refused}
    return [
        (str(entry.at), wording.measure_title(entry.name, entry.at))
        for entry in desk.analyser.catalogue()
        if entry.view is found.view and str(entry.at) in there
    ]


def _focus_at(lesson: Lesson, measures: list[tuple[str, str]]) -> str:
    known = [key for key, _ in measures]
    wished = [wish.at for wish in lesson.focus if wish.at in known]
    return (wished or known or [""])[0]


def _choices(session: Session, swing: Swing) -> list[tuple[str, list[tuple[int, str]]]]:
    """List the player's swings of the same view, this lesson's first."""
    clips = session.scalars(
        select(Clip)
        .join(Lesson, Lesson.id == Clip.lesson_id)
        .where(Clip.player_id == swing.clip.player_id, Clip.view == swing.clip.view)
        .order_by(Lesson.started_at.desc(), Clip.filmed_at, Clip.id)
    )
    groups: dict[int, tuple[str, list[tuple[int, str]]]] = {}
    for clip in clips:
        label = clip.lesson.title or wording.day(clip.lesson.started_at.date().isoformat())
        rows = groups.setdefault(clip.lesson_id, (label, []))[1]
        rows.extend((one.id, swing_title(one)) for one in clip.swings if one.id != swing.id)
    mine = groups.pop(swing.clip.lesson_id, None)
    return [*([mine] if mine else []), *groups.values()]
