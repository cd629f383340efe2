"""What a player's page shows of a measure over time: the picture, and what it says in words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from markupsafe import Markup
from sqlalchemy.orm import Session

from lessonmark.evidence.course_wording import band_sentence, target_sentence, trend_sentence
from lessonmark.evidence.lasting import lasting_sentence, look_again_sentence
from lessonmark.language import say, say_n
from lessonmark.lessons.analyser import CatalogueEntry
from lessonmark.lessons.judging import measure_title
from lessonmark.lessons.listing import NotInRecord
from lessonmark.lessons.player_course import CourseChoice, PlayerCourse, player_course
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.registry import entry
from lessonmark.pack import wording
from lessonmark.pack.course_chart import course_chart
from lessonmark.web.sheet_rows import focus_options
from lessonmark.words import Stage, View

__all__ = ["chosen_measure", "course_of", "course_rows"]


def chosen_measure(
    asked: str, choices: Sequence[CourseChoice], catalogue: tuple[CatalogueEntry, ...]
) -> tuple[MeasureAt, View] | None:
    """Read 'face-on side_bend@P6'; the latest focus where nothing is asked for.

    Raises
    ------
    NotInRecord : the catalogue has no such measure from that side.
    """
    if not asked:
        first = next(iter(choices), None)
        return None if first is None else (MeasureAt.parse(first.at), first.view)
    if asked not in focus_options(catalogue)[1]:
        raise NotInRecord(
            say("there is no measure of that name"), do=say("choose one from the list")
        )
    view, _, at = asked.partition(" ")
    return MeasureAt.parse(at), View(view)


def course_rows(
    session: Session,
    player_id: int,
    chosen: tuple[MeasureAt, View] | None,
    choices: Sequence[CourseChoice],
    catalogue: tuple[CatalogueEntry, ...],
) -> dict[str, Any]:
    """Give the page the chosen measure's course and the list to choose from."""
    options, words = focus_options(catalogue)
    keys = [f"{one.view} {one.at}" for one in choices]
    return {
        "course": course_of(session, player_id, *chosen, choices) if chosen else None,
        "measure_options": options,
        "measures_named": [
            (key, _name(one), wording.view_word(one.view))
            for key, one in zip(keys, choices, strict=True)
            if key in words
        ],
    }


def course_of(
    session: Session,
    player_id: int,
    at: MeasureAt,
    view: View,
    choices: Sequence[CourseChoice] = (),
) -> dict[str, object]:
    """Draw a measure's course and say what it shows."""
    found = player_course(session, player_id, at, view)
    course = found.course
    links = [[f"/swings/{swing_id}" for swing_id in one] for one in found.swing_ids]
    low, high = course.target or (-math.inf, math.inf)
    return {
        "key": f"{view} {at}",
        "chosen_freely": (str(at), view) not in {(c.at, c.view) for c in choices},
        "title": course.name,
        "view": view,
        "unit": "" if course.unit == "deg" else wording.unit_sign(course.unit).strip(),
        "direction": next((c.direction for c in choices if (c.at, c.view) == (str(at), view)), ""),
        "svg": Markup(course_chart(course, links=links)),
        "stages": [stage for stage in Stage if stage in {one.stage for one in course.sets}],
        "sentences": _sentences(found),
        "low": low if math.isfinite(low) else "",
        "high": high if math.isfinite(high) else "",
    }


def _name(choice: CourseChoice) -> str:
    at = MeasureAt.parse(choice.at)
    return measure_title(entry(at.measure), at)


def _sentences(found: PlayerCourse) -> list[str]:
    course = found.course
    if not course.sets:
        return [say("This measure was not taken of this player yet.")]
    lines = []
    if found.retention is not None:
        lines.append(lasting_sentence(found.retention, course.name, course.unit))
    if found.waiting:
        lines.append(look_again_sentence())
    lines += [target_sentence(course), trend_sentence(course), band_sentence(course)]
    if found.left_out:
        lines.append(
            say_n(
                "{n} set is left out: its lengths are in another unit.",
                "{n} sets are left out: their lengths are in another unit.",
                found.left_out,
            )
        )
    return [line for line in lines if line]
