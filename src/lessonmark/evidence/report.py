"""A whole lesson's evidence in one call, and as plain text for a terminal. No files, no clock."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from lessonmark.evidence.change import Change
from lessonmark.evidence.compare import adjust_focus, compare
from lessonmark.evidence.lasting import look_again_sentence
from lessonmark.evidence.scatter import Scatter, population_prior
from lessonmark.evidence.side_effects import Lead, lead_sentence, screen_side_effects
from lessonmark.evidence.wording import (
    Depth,
    decimals_for,
    quantity,
    verdict_sentence,
    verdict_word,
)
from lessonmark.language import say, say_n, say_number
from lessonmark.measures.measured import Measured
from lessonmark.words import Stage

__all__ = [
    "EvidenceReport",
    "FocusEvidence",
    "LeadEvidence",
    "MeasureInStages",
    "judge_lesson",
    "report_rows",
    "report_text",
]

_WIDTH = 78  # characters of a terminal line


@dataclass(frozen=True, kw_only=True)
class MeasureInStages:
    """One measure with a value a swing, stage by stage."""

    key: str  # str(MeasureAt), with the view before it where a lesson has two
    name: str  # plain name
    unit: str
    stages: Mapping[Stage, Sequence[Measured]]
    smallest_worth: float = 0.0
    direction: str = ""  # 'more', 'less', or ''
    camera_moved: bool = False  # between before and after
    scatter: Scatter | None = None  # this player's, from elsewhere; None: the unit's prior


@dataclass(frozen=True, kw_only=True)
class FocusEvidence:
    """A focus measure judged."""

    measure: MeasureInStages
    change: Change  # after minus before
    during: Change | None = None  # drill minus before, shown only; None: no drill swings


@dataclass(frozen=True, kw_only=True)
class LeadEvidence:
    """Another measure, screened."""

    measure: MeasureInStages
    lead: Lead


@dataclass(frozen=True, kw_only=True)
class EvidenceReport:
    """What a lesson shows."""

    focus: tuple[FocusEvidence, ...]  # in the coach's order
    leads: tuple[LeadEvidence, ...] = field(default=())  # the strongest first


def judge_lesson(
    focus: Sequence[MeasureInStages], others: Sequence[MeasureInStages] = ()
) -> EvidenceReport:
    """Judge a lesson: before against after; a drill's swings are never part of it.

    Parameters
    ----------
    focus : the one to three measures that the coach named before the after-swings were judged.
    others : everything else that was measured; screened as side effects.

    Raises
    ------
    ValueError : two measures with the same key.
    """
    keys = [measure.key for measure in (*focus, *others)]
    if len(set(keys)) != len(keys):
        raise ValueError("every measure of a lesson is given once")
    decided = adjust_focus([_before_and_after(measure) for measure in focus])
    screened = screen_side_effects({m.key: _before_and_after(m) for m in others})
    by_key = {measure.key: measure for measure in others}
    return EvidenceReport(
        focus=tuple(
            FocusEvidence(measure=measure, change=change, during=_during(measure))
            for measure, change in zip(focus, decided, strict=True)
        ),
        leads=tuple(LeadEvidence(measure=by_key[lead.key], lead=lead) for lead in screened),
    )


def report_rows(report: EvidenceReport) -> tuple[tuple[str, ...], ...]:
    """Lay the focus measures out as a table, its head first.

    Columns: measure, before (mean ± scatter, count), after, change with its interval, detectable
    change, verdict.
    """
    head = (
        say("measure"),
        say("before"),
        say("after"),
        say("change (95 % interval)"),
        say("detectable"),
        say("verdict"),
    )
    return (head, *(_row(found) for found in report.focus))


def report_text(report: EvidenceReport, *, depth: Depth = "coach") -> str:
    """Write a lesson's evidence for a terminal: a sentence a measure, then the leads."""
    lines = [say("Focus measures"), ""]
    for found in report.focus:
        sentence = verdict_sentence(found.change, found.measure.name, found.measure.unit, depth)
        lines += textwrap.wrap(sentence, _WIDTH, initial_indent="- ", subsequent_indent="  ")
        during = found.during
        if during is not None and during.difference is not None:
            lines += textwrap.wrap(
                say(
                    "In the drill the difference was {difference}; a drill's swings are no part of "
                    "the verdict.",
                    difference=quantity(
                        during.difference,
                        found.measure.unit,
                        decimals_for(during.standard_error or 0.0),
                    ),
                ),
                _WIDTH,
                initial_indent="  ",
                subsequent_indent="  ",
            )
    lines += ["", *textwrap.wrap(look_again_sentence(), _WIDTH)]
    leads = [entry for entry in report.leads if entry.lead.is_lead]
    lines += ["", say("What else may have moved: leads, not findings"), ""]
    for entry in leads:
        sentence = lead_sentence(entry.lead, entry.measure.name, entry.measure.unit)
        lines += textwrap.wrap(sentence, _WIDTH, initial_indent="- ", subsequent_indent="  ")
    if not leads:
        lines.append(
            say("Nothing stands out among {n} other measures.", n=len(report.leads))
            if report.leads
            else say("No other measures were given.")
        )
    return "\n".join(lines) + "\n"


def _before_and_after(measure: MeasureInStages) -> Change:
    return _against_before(measure, Stage.AFTER)


def _during(measure: MeasureInStages) -> Change | None:
    return _against_before(measure, Stage.DRILL) if measure.stages.get(Stage.DRILL) else None


def _against_before(measure: MeasureInStages, stage: Stage) -> Change:
    return compare(
        measure.stages.get(Stage.BEFORE, ()),
        measure.stages.get(stage, ()),
        smallest_worth=measure.smallest_worth,
        direction=measure.direction,
        camera_moved=measure.camera_moved,
        scatter=population_prior(measure.unit) if measure.scatter is None else measure.scatter,
    )


def _row(found: FocusEvidence) -> tuple[str, ...]:
    change, unit = found.change, found.measure.unit
    if change.difference is None or change.low is None or change.high is None:
        counts = tuple(
            say_n("{n} swing", "{n} swings", count) for count in (change.count_a, change.count_b)
        )
        return (found.measure.name, *counts, "", "", verdict_word(change.verdict))
    decimals = decimals_for(change.standard_error or 0.0)

    def stage(mean: float | None, scatter: float | None, count: int) -> str:
        return say(
            "{mean} ± {scatter} ({count})",
            mean=say_number(mean or 0.0, decimals),
            scatter=quantity(scatter or 0.0, unit, decimals),
            count=count,
        )

    return (
        found.measure.name,
        stage(change.mean_a, change.scatter_a, change.count_a),
        stage(change.mean_b, change.scatter_b, change.count_b),
        say(
            "{difference} ({low} to {high})",
            difference=quantity(change.difference, unit, decimals),
            low=say_number(change.low, decimals),
            high=say_number(change.high, decimals),
        ),
        quantity(change.detectable or 0.0, unit, decimals),
        verdict_word(change.verdict),
    )
