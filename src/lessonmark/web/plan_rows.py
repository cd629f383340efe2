"""What a lesson's page shows of drills, the planned practice, and attempts at checkpoints."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy.orm import Session

from lessonmark.drills.library import Drill
from lessonmark.drills.plan import BlockKind
from lessonmark.drills.plan import Session as PlannedSession
from lessonmark.drills.wording import checkpoint_sentence
from lessonmark.language import say
from lessonmark.lessons.attempts import drills_to_try, outcome_word
from lessonmark.lessons.planned import read_plan
from lessonmark.lessons.record import Attempt, DrillSet, Lesson, LessonKind
from lessonmark.pack.plan_again import plan_again
from lessonmark.words import Stage

__all__ = ["plan_rows"]

SPARE_DRILL_ROWS = 2


def plan_rows(session: Session, lesson: Lesson, library: Sequence[Drill]) -> dict[str, Any]:
    """Gather the rows for the page's part on practice."""
    known = {drill.id: drill for drill in library}
    offered = [known[id] for id in drills_to_try(session, lesson) if id in known]
    tried = lesson.kind is LessonKind.PRACTICE or any(
        clip.stage is Stage.DRILL for clip in lesson.clips
    )
    kept = read_plan(lesson)
    plan = plan_again(kept, library) if kept else None
    return {
        "drill_lines": [_line(one, known.get(one.drill)) for one in lesson.drills],
        "drills": _form_rows(lesson),
        "library": library,
        "plan": plan,
        "plan_days": [_day(one) for one in plan.sessions] if plan else [],
        "can_plan": any(one.drill in known for one in lesson.drills),
        "to_try": [(drill.id, drill.said().name) for drill in offered] if tried else [],
        "attempts": [_attempt(one) for one in lesson.attempts],
    }


def _line(one: DrillSet, drill: Drill | None) -> dict[str, object]:
    return {
        "name": one.name,
        "dose": one.dose,
        "minutes": one.minutes,
        "sets": one.sets,
        "balls": one.balls,
        "set_on": one.set_on,
        "done_when": checkpoint_sentence(drill.checkpoint) if drill else "",
        "cue": drill.said().cue if drill else "",
    }


def _form_rows(lesson: Lesson) -> list[dict[str, object]]:
    """Give the rows of the form, with empty ones to write in."""
    rows: list[dict[str, object]] = [
        {
            "known": drill.drill,
            "name": drill.name,
            "dose": drill.dose,
            "minutes": drill.minutes,
            "sets": drill.sets,
            "balls": drill.balls,
            "set_on": drill.set_on,
        }
        for drill in lesson.drills
    ]
    empty: dict[str, object] = dict.fromkeys(("known", "name", "dose"), "")
    empty |= dict.fromkeys(("minutes", "sets", "balls", "set_on"))
    return rows + [empty] * SPARE_DRILL_ROWS


def _day(session: PlannedSession) -> dict[str, object]:
    """Give a day's blocks; the drill with a ball is the drill once more."""
    lines = []
    said = ""
    for block in session.blocks:
        if not block.swings:
            continue
        lines.append(
            say("The same with a ball, {n} swings.", n=block.swings)
            if block.kind is BlockKind.BALL and block.words == said
            else block.words
        )
        said = block.words
    return {
        "on": session.on,
        "lines": lines,
        "minutes": session.minutes,
        "swings": session.swings,
    }


def _attempt(one: Attempt) -> dict[str, object]:
    met = say("{met} of {swings} swings met it", met=one.met, swings=one.swings)
    if one.too_close:
        met += "; " + say("for {n} the footage does not tell", n=one.too_close)
    return {"at": one.at, "name": one.name, "outcome": outcome_word(one.outcome), "met": met}
