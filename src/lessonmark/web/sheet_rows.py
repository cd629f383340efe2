"""A lesson's rows as the page shows them: words, charts, pictures and links."""

from __future__ import annotations

from functools import lru_cache

from markupsafe import Markup, escape

from lessonmark.evidence.scatter_wording import scatter_sentence
from lessonmark.evidence.wording import verdict_word
from lessonmark.language import say
from lessonmark.lessons.analyser import CatalogueEntry
from lessonmark.lessons.findings import (
    Findings,
    FocusFinding,
    SideEffect,
    StageValues,
    StillPicture,
)
from lessonmark.lessons.jobs import swing_key
from lessonmark.lessons.plans import FOCUS_MAX
from lessonmark.lessons.record import Clip, ClipState, Lesson
from lessonmark.pack import wording
from lessonmark.pack.depths import verdict_depths
from lessonmark.pack.drawing import overlay_svg
from lessonmark.pack.leads import group_leads
from lessonmark.web.dots import dots_chart
from lessonmark.words import Position, Stage

__all__ = [
    "all_stills",
    "clip_line",
    "focus_options",
    "focus_wishes",
    "is_busy",
    "sheet_rows",
    "state_words",
]


def sheet_rows(
    findings: Findings, lesson: Lesson
) -> tuple[list[dict[str, object]], list[dict[str, object]]]:
    """Give the rows of the focus measures, and of what else moved by view."""
    links = {
        swing_key(clip, swing.number): str(swing.id)
        for clip in lesson.clips
        for swing in clip.swings
    }
    stills = {
        still: f"/lessons/{lesson.id}/pictures/{n}" for n, still in enumerate(all_stills(findings))
    }
    return (
        [_row(one, links, stills) for one in findings.focus],
        [
            {
                "view": group.view,
                "first": [_row(one, links, stills) for one in group.first],
                "rest": [_row(one, links, stills) for one in group.rest],
            }
            for group in group_leads(findings.side_effects)
        ],
    )


def _row(
    one: FocusFinding | SideEffect, links: dict[str, str], stills: dict[StillPicture, str]
) -> dict[str, object]:
    focus = one if isinstance(one, FocusFinding) else None
    title = _title(one)
    pair = focus.pictures if focus else None
    # Only the focus measures' pictures are chosen by hand.
    swings = {row.stage: _numbered(row, one.unit) for row in one.stages} if pair else {}
    at = str(one.at)
    return {
        "at": at,
        "view": one.view,
        "title": title,
        "where": " · ".join(
            ([wording.position_words(one.at.position)] if one.at.position else [])
            + [wording.view_word(one.view)]
        ),
        "verdict": verdict_word(one.change.verdict),
        "verdict_class": one.change.verdict.name.lower(),
        "sentence": one.sentence,
        "aim": _aim(focus) if focus else "",
        "scatter": scatter_sentence(focus.scatter, title, one.unit) if focus else "",
        "depths": verdict_depths(focus) if focus else (),
        "chart": dots_chart(
            one.stages,
            one.change,
            one.unit,
            title=f"{title}: {wording.difference_words(one.change, one.unit)}",
            smallest_worth=focus.smallest_worth if focus else None,
            link=lambda swing_id: _swing_link(links.get(swing_id, ""), at),
        ),
        "before": _still(pair.before, stills) if pair else None,
        "after": _still(pair.after, stills) if pair else None,
        "swings": swings,
        "compare": _compare_link(one, links),
    }


def _numbered(row: StageValues, unit: str) -> list[tuple[str, int, str]]:
    return [
        (swing_id, n, wording.measured_words(value, unit))
        for n, (swing_id, value) in enumerate(zip(row.swing_ids, row.values, strict=True), start=1)
    ]


def _title(one: FocusFinding | SideEffect) -> str:
    # Findings may name the position already.
    place = one.at.position.value if one.at.position else ""
    return one.name if place and place in one.name else wording.measure_title(one.name, one.at)


def _aim(one: FocusFinding) -> str:
    smallest = wording.stated_quantity(one.smallest_worth, one.unit)
    if one.direction == "more":
        return say("The aim was more of it, by at least {smallest}.", smallest=smallest)
    if one.direction == "less":
        return say("The aim was less of it, by at least {smallest}.", smallest=smallest)
    return say("No direction was set; {smallest} is the least that matters.", smallest=smallest)


def _still(picture: StillPicture, stills: dict[StillPicture, str]) -> dict[str, object]:
    return {
        "svg": Markup(overlay_svg(picture, href=stills[picture], words=picture.caption)),
        "caption": picture.caption,
        "swing_id": picture.swing_id,
    }


def all_stills(findings: Findings) -> list[StillPicture]:
    """List the pictures of a lesson in a fixed order."""
    return [
        still
        for one in findings.focus
        if one.pictures is not None
        for still in (one.pictures.before, one.pictures.after)
    ]


def _swing_link(swing: str, at: str) -> str:
    return f"/swings/{swing}?at={at}" if swing else ""


def _compare_link(one: FocusFinding | SideEffect, links: dict[str, str]) -> str:
    """Open the typical swings of both stages beside each other."""
    typical = []
    for stage in (Stage.BEFORE, Stage.AFTER):
        row = next((row for row in one.stages if row.stage is stage and row.values), None)
        if row is None:
            return ""
        order = sorted(range(len(row.values)), key=lambda n: row.values[n].value)
        typical.append(links.get(row.swing_ids[order[len(order) // 2]], ""))
    if not all(typical):
        return ""
    return f"/swings/{typical[0]}?beside={typical[1]}&at={one.at}"


def clip_line(clip: Clip) -> dict[str, object]:
    """Give a clip for the table of clips."""
    return {
        "id": clip.id,
        "name": clip.name,
        "filmed_at": clip.filmed_at,
        "view": clip.view,
        "view_by_hand": clip.view_by_hand,
        "stage": clip.stage,
        "stage_by_hand": clip.stage_by_hand,
        "state": clip.state.value,
        "progress": clip.progress,
        "words": state_words(clip),
        "problem_do": clip.problem_do,
        "mirrored": clip.mirrored,
        "fps_declared": clip.fps_declared,
        "swings": [
            {
                "id": swing.id,
                "number": swing.number,
                "by_hand": any(
                    one.swing_number == swing.number and one.undone_at is None
                    for one in clip.corrections
                ),
            }
            for swing in clip.swings
        ],
    }


def state_words(clip: Clip) -> str:
    """Say where a clip stands."""
    if clip.state is ClipState.FAILED:
        return clip.problem
    return {
        ClipState.WAITING: say("waiting its turn"),
        ClipState.WORKING: say("being measured"),
        ClipState.DONE: say("measured"),
    }[clip.state]


def is_busy(lesson: Lesson) -> bool:
    """Whether a clip of the lesson is still to be measured."""
    return any(clip.state in (ClipState.WAITING, ClipState.WORKING) for clip in lesson.clips)


def focus_wishes(lesson: Lesson) -> list[dict[str, object]]:
    """Give three rows for the form, filled as far as the coach has chosen."""
    rows: list[dict[str, object]] = [
        {
            "measure": f"{wish.view} {wish.at}",
            "direction": wish.direction,
            "smallest": wish.smallest_worth,
        }
        for wish in lesson.focus
    ]
    empty: dict[str, object] = {"measure": "", "direction": "", "smallest": None}
    return rows + [empty] * (FOCUS_MAX - len(rows))


@lru_cache(maxsize=8)
def focus_options(catalogue: tuple[CatalogueEntry, ...]) -> tuple[Markup, dict[str, str]]:
    """Write the list to choose a focus from; kept, because it is long and hardly changes.

    Returns
    -------
    the options as HTML, and each choice's words by its value.
    """
    groups: dict[str, list[tuple[str, str]]] = {}
    for entry in catalogue:
        label = wording.measure_title(entry.name, entry.at)
        if entry.unit:
            label += f" ({wording.unit_sign(entry.unit).strip()})"
        groups.setdefault(wording.view_word(entry.view), []).append(
            (f"{entry.view} {entry.at}", label)
        )
    parts = []
    for view, rows in groups.items():
        options = "".join(
            f'<option value="{escape(value)}">{escape(label)}</option>'
            for value, label in sorted(rows, key=lambda row: _order(row[0]))
        )
        parts.append(f'<optgroup label="{escape(view)}">{options}</optgroup>')
    return Markup("".join(parts)), dict(row for rows in groups.values() for row in rows)


def _order(value: str) -> tuple[str, int]:
    measure, _, position = value.partition("@")
    return measure, Position(position).number if position else 0
