"""A lesson in the other direction: what was measured and why, for the coach who checks it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePath

from lessonmark.evidence.wording import verdict_sentence, verdict_word
from lessonmark.language import say
from lessonmark.lessons.findings import Findings, FocusFinding, SideEffect, SwingFinding
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.registry import entry as catalogue_entry
from lessonmark.pack import wording
from lessonmark.pack.said_again import said_again
from lessonmark.pack.stage_style import stage_word

__all__ = ["RefusedRow", "SwingRow", "TeachRow", "refused_rows", "swing_rows", "teach_rows"]


@dataclass(frozen=True, kw_only=True)
class TeachRow:
    """One judged measure: what it is, what it reads, what was found and by which test."""

    name: str
    kind: str  # 'focus measure' or 'a lead'
    view: str
    definition: str
    reads: str
    sign: str
    verdict: str
    tests: str  # the analyst's sentence: numbers, tests, degrees of freedom


@dataclass(frozen=True, kw_only=True)
class SwingRow:
    """One swing's value of one judged measure, and how its moment was found."""

    measure: str
    stage: str
    swing: str
    value: str  # with its 95 % error
    systematic: str  # the standard error that the camera's set-up shares
    moment: str  # time and standard error of the position, or a dash
    found_from: str


@dataclass(frozen=True, kw_only=True)
class RefusedRow:
    """What was not measured, why, and what would help."""

    subject: str
    reason: str
    do: str


def teach_rows(findings: Findings) -> tuple[TeachRow, ...]:
    """List the judged measures, focus first."""
    findings = said_again(findings)
    focus = [_row(one, say("focus measure")) for one in findings.focus]
    leads = [_row(one, say("a lead")) for one in findings.side_effects]
    return (*focus, *leads)


def swing_rows(findings: Findings) -> tuple[SwingRow, ...]:
    """List every swing's value behind the focus measures, in the order played."""
    findings = said_again(findings)
    swings = {swing.swing_id: swing for clip in findings.clips for swing in clip.swings}
    rows = []
    for one in findings.focus:
        for stage in one.stages:
            for swing_id, measured in zip(stage.swing_ids, stage.values, strict=True):
                moment, found_from = _moment(swings.get(swing_id), one.at)
                rows.append(
                    SwingRow(
                        measure=wording.measure_title(one.name, one.at),
                        stage=stage_word(stage.stage),
                        swing=PurePath(swing_id).name,  # the folders are those of stage and view
                        value=wording.measured_words(measured, one.unit),
                        systematic=wording.number_with_unit(measured.systematic, one.unit),
                        moment=moment,
                        found_from=found_from,
                    )
                )
    return tuple(rows)


def refused_rows(findings: Findings) -> tuple[RefusedRow, ...]:
    """List what was refused and which clips could not be used."""
    findings = said_again(findings)
    refused = [
        RefusedRow(subject=subject, reason=one.reason, do=one.do)
        for subject, one in findings.not_measured.items()
    ]
    clips = [RefusedRow(subject=one.clip, reason=one.what, do=one.do) for one in findings.problems]
    return (*refused, *clips)


def _row(one: FocusFinding | SideEffect, kind: str) -> TeachRow:
    known = catalogue_entry(one.at.measure)
    title = wording.measure_title(one.name, one.at)
    return TeachRow(
        name=title,
        kind=kind,
        view=wording.view_word(one.view),
        definition=say(known.definition),
        reads=say(known.reads),
        sign=say(known.sign),
        verdict=verdict_word(one.change.verdict),
        tests=verdict_sentence(one.change, title, one.unit, "analyst"),
    )


def _moment(swing: SwingFinding | None, at: MeasureAt) -> tuple[str, str]:
    if swing is None or at.position is None or at.position not in swing.positions:
        return "—", "—"
    found = swing.positions[at.position]
    how = say("placed by hand") if found.by_hand else found.how
    time = found.time
    error = wording.number_with_unit(time.se * 1000, "ms")
    return f"{wording.number_with_unit(time.s, 's')} ± {error}", how
