"""From measured swings to the rows of the sheet: stages beside each other, changes, verdicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lessonmark.evidence.change import Change
from lessonmark.evidence.report import EvidenceReport, MeasureInStages, judge_lesson
from lessonmark.evidence.scatter import Scatter, population_prior
from lessonmark.evidence.side_effects import Lead, lead_sentence
from lessonmark.evidence.value_wording import measured_words
from lessonmark.evidence.wording import verdict_sentence
from lessonmark.language import say
from lessonmark.lessons.findings import (
    ClipFinding,
    FocusFinding,
    SideEffect,
    StageValues,
    SwingFinding,
)
from lessonmark.lessons.lesson_file import FocusEntry
from lessonmark.measures.measured import MeasureAt, Refused
from lessonmark.measures.measuring import unit_of
from lessonmark.measures.registry import Measure, catalogue
from lessonmark.measures.registry import entry as catalogue_entry
from lessonmark.words import Stage, View

__all__ = ["Judged", "captions", "judge_clips", "list_refusals", "measure_title", "stage_values"]

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


@dataclass(frozen=True, kw_only=True)
class Judged:
    """A lesson's rows."""

    focus: tuple[FocusFinding, ...]
    side_effects: tuple[SideEffect, ...]  # those that stand out; leads, not findings
    report: EvidenceReport  # the same with every test, for the terminal


def judge_clips(
    focus: Sequence[FocusEntry],
    clips: Sequence[ClipFinding],
    *,
    camera_moved: Mapping[View, bool],
    scatters: Mapping[tuple[MeasureAt, View], Scatter] | None = None,
) -> Judged:
    """Judge the focus measures together, before against after, and screen everything else.

    Parameters
    ----------
    focus : the measures that the coach named before the after-swings were judged.
    camera_moved : by view, whether the camera stood elsewhere after than before.
    scatters : what is known of this player from earlier lessons; the unit's prior stands in.
    """
    scatters = scatters or {}
    rows: dict[str, _Row] = {}
    wanted = []
    for one in focus:
        entry = catalogue_entry(one.at.measure)
        view = one.view or _view_of(entry, one.at, clips)
        row = _row(
            entry,
            one.at,
            view,
            clips,
            camera_moved=camera_moved,
            focus=one,
            scatter=scatters.get((one.at, view)),
        )
        rows[row.measured.key] = row
        wanted.append(row)
    others = []
    for view in View:
        for entry in catalogue():
            if view not in entry.views:
                continue
            for position in (None,) if entry.is_span else entry.positions_from(view):
                at = MeasureAt(measure=entry.id, position=position)
                row = _row(entry, at, view, clips, camera_moved=camera_moved, focus=None)
                if row.measured.key not in rows:
                    rows[row.measured.key] = row
                    others.append(row)
    report = judge_lesson(
        [row.measured for row in wanted],
        [row.measured for row in others if all(len(r.values) for r in row.stages)],
    )
    return Judged(
        focus=tuple(
            _focus_finding(row, one, found.change)
            for row, one, found in zip(wanted, focus, report.focus, strict=True)
        ),
        side_effects=tuple(
            _side_effect(rows[lead.measure.key], lead.lead)
            for lead in report.leads
            if lead.lead.is_lead
        ),
        report=report,
    )


@dataclass(frozen=True, kw_only=True)
class _Row:
    at: MeasureAt
    view: View
    stages: tuple[StageValues, ...]
    measured: MeasureInStages


def _row(
    entry: Measure,
    at: MeasureAt,
    view: View,
    clips: Sequence[ClipFinding],
    *,
    camera_moved: Mapping[View, bool],
    focus: FocusEntry | None,
    scatter: Scatter | None = None,
) -> _Row:
    stages = stage_values(at, view, clips)
    return _Row(
        at=at,
        view=view,
        stages=stages,
        measured=MeasureInStages(
            key=f"{view}: {at}",
            name=measure_title(entry, at),
            unit=_unit(entry, view, clips),
            stages={row.stage: row.values for row in stages},
            smallest_worth=focus.smallest_worth if focus else 0.0,
            direction=focus.direction if focus else "",
            camera_moved=camera_moved.get(view, False),
            scatter=scatter,
        ),
    )


def _focus_finding(row: _Row, wanted: FocusEntry, change: Change) -> FocusFinding:
    return FocusFinding(
        at=row.at,
        view=row.view,
        name=row.measured.name,
        unit=row.measured.unit,
        direction=wanted.direction,
        smallest_worth=wanted.smallest_worth,
        stages=row.stages,
        change=change,
        sentence=verdict_sentence(change, row.measured.name, row.measured.unit, "player"),
        scatter=row.measured.scatter or population_prior(row.measured.unit),
    )


def _side_effect(row: _Row, lead: Lead) -> SideEffect:
    return SideEffect(
        at=row.at,
        view=row.view,
        name=row.measured.name,
        unit=row.measured.unit,
        stages=row.stages,
        change=lead.change,
        sentence=lead_sentence(lead, row.measured.name, row.measured.unit),
    )


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
            if why is not None and entry.needs_two_views:
                # One camera is missing for all of them: said once.
                refused.setdefault(say("both views") + ": " + say("true turn, tilt and bend"), why)
            elif why is not None:
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
                value=measured_words(value, finding.unit),
            )
    return texts


def measure_title(entry: Measure, at: MeasureAt) -> str:
    """Name a measure at its position in the language now spoken."""
    name = say(entry.name)
    if entry.needs_two_views:
        name = say("{name} (two cameras)", name=name)
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


def _is_of(key: str, measure: str) -> bool:
    return key == measure or key.startswith(f"{measure}@")
