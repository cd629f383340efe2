"""What the coach decides about a lesson: focus, cues, drills with their dose, pictures, dates."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.analyser import CatalogueEntry
from lessonmark.lessons.arrivals import mark_stale
from lessonmark.lessons.folding import fold
from lessonmark.lessons.record import CauseStep, Cue, DrillSet, Focus, Lesson, PictureChoice
from lessonmark.words import View

__all__ = [
    "CAUSES_MAX",
    "FOCUS_MAX",
    "CauseChoice",
    "DrillPlan",
    "FocusChoice",
    "choose_pictures",
    "library_link",
    "set_causes",
    "set_cues",
    "set_drills",
    "set_focus",
]

FOCUS_MAX = 3  # DESIGN.md, section 2: one to three
CAUSES_MAX = 6  # steps of a chain; common practice, no source


@dataclass(frozen=True, kw_only=True)
class FocusChoice:
    """A focus measure as the coach names it."""

    at: str
    view: View
    direction: str
    smallest_worth: float | None


@dataclass(frozen=True, kw_only=True)
class CauseChoice:
    """A step of the coach's chain."""

    words: str  # 'early slide'
    at: str  # what shows it: 'pelvis_shift@P4'
    way: str  # 'more' or 'less'


@dataclass(frozen=True, kw_only=True)
class DrillPlan:
    """A drill with its dose."""

    name: str
    drill: str = ""  # id in the library, '' for own words
    dose: str = ""
    minutes: int | None = None
    sets: int | None = None
    balls: int | None = None
    set_on: date | None = None  # None: the lesson's day


def set_focus(
    session: Session,
    lesson: Lesson,
    choices: Sequence[FocusChoice],
    catalogue: Sequence[CatalogueEntry],
) -> None:
    """Name the focus measures of a lesson, in the coach's order.

    Raises
    ------
    RecordError : more than three, one twice, one that is not in the catalogue, a direction that
        is none, or a smallest change that is not above 0.
    """
    known = {(str(entry.at), entry.view) for entry in catalogue}
    wanted = [(choice.at, choice.view) for choice in choices]
    if len(wanted) > FOCUS_MAX or len(set(wanted)) < len(wanted):
        raise RecordError(
            say("a lesson has one to {n} focus measures, each once", n=FOCUS_MAX),
            do=say("leave one out"),
        )
    for choice in choices:
        if (choice.at, choice.view) not in known:
            raise RecordError(
                say("'{name}' cannot be measured from that side", name=choice.at),
                do=say("choose one from the list"),
            )
        if choice.direction not in ("more", "less", "") or (
            choice.smallest_worth is not None and not choice.smallest_worth > 0
        ):
            raise RecordError(
                say("the smallest change worth having is a number above 0"),
                do=say("leave it empty to take the usual one"),
            )
    lesson.focus.clear()
    session.flush()  # or the new rows would meet the old ones
    lesson.focus.extend(
        Focus(
            rank=rank,
            at=choice.at,
            view=choice.view,
            direction=choice.direction,
            smallest_worth=choice.smallest_worth,
        )
        for rank, choice in enumerate(choices, start=1)
    )
    mark_stale(lesson)


def set_causes(
    lesson: Lesson, steps: Sequence[CauseChoice], catalogue: Sequence[CatalogueEntry]
) -> None:
    """Write the chain of causes that the coach has in mind, first cause first; none takes it away.

    Raises
    ------
    RecordError : one step alone, too many, a measure that is not in the catalogue, or the same one
        twice in a row.
    """
    known = {str(entry.at) for entry in catalogue}
    if len(steps) == 1 or len(steps) > CAUSES_MAX:
        raise RecordError(
            say("a chain has two to {n} steps", n=CAUSES_MAX),
            do=say("add a step, or leave all out"),
        )
    for step in steps:
        if step.at not in known or step.way not in ("more", "less") or not step.words:
            raise RecordError(
                say("each step of a chain needs its words and the measure that shows it"),
                do=say("fill both in, or leave both empty"),
            )
    if any(first.at == second.at for first, second in itertools.pairwise(steps)):
        raise RecordError(
            say("two steps in a row are shown by the same measure"),
            do=say("choose another measure for one of them"),
        )
    lesson.causes = [
        CauseStep(rank=rank, words=step.words[:200], at=step.at, way=step.way)
        for rank, step in enumerate(steps, start=1)
    ]
    mark_stale(lesson)


def set_cues(lesson: Lesson, cues: Sequence[str]) -> None:
    """Write the sentences that the player takes along."""
    words = [" ".join(cue.split()) for cue in cues]
    lesson.cues = [
        Cue(rank=rank, words=cue) for rank, cue in enumerate(filter(None, words), start=1)
    ]


def library_link(name: str, drill: str, library: Mapping[str, str]) -> tuple[str, str]:
    """Join what the coach wrote and what they chose: the drill's name on the sheet, and its id.

    A name of the library links to it by itself, and gives way to the chosen drill's own; other
    words stay as they are.

    Parameters
    ----------
    library : names by id.
    """
    ids = {fold(known): id for id, known in library.items()}
    if drill not in library:
        return name, ids.get(fold(name), "")
    return (library[drill] if not name or fold(name) in ids else name), drill


def set_drills(lesson: Lesson, drills: Sequence[DrillPlan]) -> None:
    """Set the drills and their dose."""
    lesson.drills = [
        DrillSet(
            rank=rank,
            drill=plan.drill,
            name=plan.name,
            dose=plan.dose,
            minutes=plan.minutes,
            sets=plan.sets,
            balls=plan.balls,
            set_on=plan.set_on or lesson.started_at.astimezone().date(),
        )
        for rank, plan in enumerate(drills, start=1)
    ]
    index_lesson(lesson)
    mark_stale(lesson)


def choose_pictures(
    session: Session, lesson: Lesson, *, at: str, view: View, before: str, after: str
) -> None:
    """Choose which two swings stand beside each other for a measure."""
    kept = [one for one in lesson.pictures if (one.at, one.view) != (at, view)]
    lesson.pictures = kept
    session.flush()
    lesson.pictures.append(PictureChoice(at=at, view=view, before=before, after=after))
    mark_stale(lesson)


def index_lesson(lesson: Lesson) -> None:
    """Keep the words that a search finds a lesson by."""
    names = [drill.name for drill in lesson.drills]
    lesson.search = fold(lesson.title, lesson.club, *names)[:600]
