"""From measured swings to the rows of the sheet: stages beside each other, changes, verdicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.compare import adjust_focus, compare
from lessonmark.evidence.side_effects import lead_sentence, screen_side_effects
from lessonmark.evidence.wording import verdict_sentence
from lessonmark.language import say, say_number
from lessonmark.lessons.findings import (
    ClipFinding,
    FocusFinding,
    SideEffect,
    StageValues,
    SwingFinding,
)
from lessonmark.lessons.lesson_file import FocusEntry
from lessonmark.measures.measured import MeasureAt, Measured, Refused
from lessonmark.measures.measuring import unit_of
from lessonmark.measures.registry import Measure, catalogue
from lessonmark.measures.registry import entry as catalogue_entry
from lessonmark.words import Stage, View

__all__ = ["captions", "judge_focus", "judge_side_effects", "list_refusals", "stage_values"]

_STAGES = (Stage.BEFORE, Stage.DRILL, Stage.AFTER)


def stage_values(
    at: MeasureAt, view: View, clips: Sequence[ClipFinding]
) -> tuple[StageValues, ...]:
    """Gather one measure's values by stage, in the order of a lesson; stages without swings too."""
    rows = []
    for stage in _STAGES:
        swings = _swings(view, stage, clips)
        having = [swing for swing in swings if str(at) in swing.values]
        if stage is Stage.DRILL and not swings:
            continue
        rows.append(
            StageValues(
                stage=stage,
                swing_ids=tuple(swing.swing_id for swing in having),
                values=tuple(swing.values[str(at)] for swing in having),
            )
        )
    return tuple(rows)


def judge_focus(
    focus: Sequence[FocusEntry], clips: Sequence[ClipFinding], *, camera_moved: Mapping[View, bool]
) -> tuple[FocusFinding, ...]:
    """Judge the focus measures together: before against after, a drill's swings never among them.

    Parameters
    ----------
    camera_moved : by view, whether the camera stood elsewhere after than before.
    """
    found = []
    for wanted in focus:
        entry = catalogue_entry(wanted.at.measure)
        view = wanted.view or _view_of(entry, wanted.at, clips)
        rows = stage_values(wanted.at, view, clips)
        change = compare(
            _values(rows, Stage.BEFORE),
            _values(rows, Stage.AFTER),
            smallest_worth=wanted.smallest_worth,
            direction=wanted.direction,
            camera_moved=camera_moved.get(view, False),
        )
        found.append((wanted, entry, view, rows, change))
    changes = adjust_focus([change for *_, change in found])
    return tuple(
        FocusFinding(
            at=wanted.at,
            view=view,
            name=_title(entry, wanted.at),
            unit=_unit(entry, view, clips),
            direction=wanted.direction,
            smallest_worth=wanted.smallest_worth,
            stages=rows,
            change=change,
            sentence=verdict_sentence(
                change, _title(entry, wanted.at), _unit(entry, view, clips), "player"
            ),
        )
        for (wanted, entry, view, rows, _), change in zip(found, changes, strict=True)
    )


def judge_side_effects(
    focus: Sequence[FocusEntry], clips: Sequence[ClipFinding], *, camera_moved: Mapping[View, bool]
) -> tuple[SideEffect, ...]:
    """Screen everything else that was measured, with a false-discovery rate; leads, no findings."""
    named = {str(one.at) for one in focus}
    seen: dict[str, tuple[Measure, MeasureAt, View, tuple[StageValues, ...], Change]] = {}
    for view in View:
        for entry in catalogue():
            if view not in entry.views:
                continue
            positions = (None,) if entry.is_span else entry.positions_from(view)
            for position in positions:
                at = MeasureAt(measure=entry.id, position=position)
                if str(at) in named:
                    continue
                rows = stage_values(at, view, clips)
                change = compare(
                    _values(rows, Stage.BEFORE),
                    _values(rows, Stage.AFTER),
                    smallest_worth=0.0,
                    direction="",
                    camera_moved=camera_moved.get(view, False),
                )
                seen[f"{view}: {at}"] = (entry, at, view, rows, change)
    leads = screen_side_effects({key: change for key, (*_, change) in seen.items()})
    rows_of_leads = []
    for lead in leads:
        if lead.change.verdict is not Verdict.CHANGED:
            continue
        entry, at, view, rows, _ = seen[lead.key]
        title, unit = _title(entry, at), _unit(entry, view, clips)
        rows_of_leads.append(
            SideEffect(
                at=at,
                view=view,
                name=title,
                unit=unit,
                stages=rows,
                change=lead.change,
                sentence=lead_sentence(lead, title, unit),
            )
        )
    return tuple(rows_of_leads)


def list_refusals(clips: Sequence[ClipFinding]) -> dict[str, Refused]:
    """Say what could not be measured at all, once a measure and not once a swing."""
    refused: dict[str, Refused] = {}
    for view in View:
        swings = [swing for clip in clips if clip.view is view for swing in clip.swings]
        if not swings:
            continue
        for entry in catalogue():
            if view not in entry.views:
                continue
            if any(_is_of(key, entry.id) for swing in swings for key in swing.values):
                continue
            why = next(
                (
                    swing.refused[key]
                    for swing in swings
                    for key in swing.refused
                    if _is_of(key, entry.id)
                ),
                None,
            )
            if why is not None:
                refused[f"{view}: {say(entry.name)}"] = why
    return refused


def captions(finding: FocusFinding | SideEffect) -> dict[str, str]:
    """Give each swing's caption under its picture, by swing id."""
    texts = {}
    for row in finding.stages:
        for number, (swing_id, value) in enumerate(
            zip(row.swing_ids, row.values, strict=True), start=1
        ):
            texts[swing_id] = say(
                "{stage}, swing {number}: {name} {value}",
                stage=say(str(row.stage)),
                number=number,
                name=finding.name,
                value=_with_error(value, finding.unit),
            )
    return texts


def _with_error(value: Measured, unit: str) -> str:
    digits = 0 if value.se >= 2 else 1
    sign = {"deg": "°"}.get(unit, f" {unit}" if unit else "")
    return f"{say_number(value.value, digits)} ± {say_number(1.96 * value.se, digits)}{sign}"


def _title(entry: Measure, at: MeasureAt) -> str:
    name = say(entry.name)
    return name if at.position is None else say("{name} at {at}", name=name, at=at.position)


def _unit(entry: Measure, view: View, clips: Sequence[ClipFinding]) -> str:
    scaled = any(clip.scale is not None for clip in clips if clip.view is view)
    return unit_of(entry, scaled=scaled)


def _view_of(entry: Measure, at: MeasureAt, clips: Sequence[ClipFinding]) -> View:
    """Take the view that has more swings with this measure; face-on where they are even."""
    return max(
        (view for view in View if view in entry.views),
        key=lambda view: sum(len(row.values) for row in stage_values(at, view, clips)),
    )


def _swings(view: View, stage: Stage, clips: Sequence[ClipFinding]) -> list[SwingFinding]:
    return [
        swing
        for clip in clips
        if clip.view is view and clip.stage is stage
        for swing in clip.swings
    ]


def _values(rows: Sequence[StageValues], stage: Stage) -> tuple[Measured, ...]:
    return next((row.values for row in rows if row.stage is stage), ())


def _is_of(key: str, measure: str) -> bool:
    return key == measure or key.startswith(f"{measure}@")
