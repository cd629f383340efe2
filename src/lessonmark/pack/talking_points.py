"""A draft of what to say, in the order in which a coach speaks, by rules from the evidence.

The rules: a difference is only called a change where the verdict is 'changed'; what was not
settled, not changed or seen in too few swings is said to be so; a drill's swings are described,
never judged; a side effect is a lead. The coach edits the text, and their text is what is used.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from lessonmark.evidence.change import Verdict
from lessonmark.evidence.wording import verdict_sentence
from lessonmark.language import say, say_n
from lessonmark.lessons.findings import Findings, FocusFinding
from lessonmark.pack import wording
from lessonmark.pack.charts import summarise_stage
from lessonmark.pack.coach_words import CoachWords, all_cautions
from lessonmark.pack.said_again import said_again
from lessonmark.words import Stage

__all__ = ["Point", "as_text", "draft_talking_points"]

MOST_LEADS = 3
FEW = 3  # fewer swings than this describe nothing (DESIGN.md, section 8)


@dataclass(frozen=True, kw_only=True)
class Point:
    """One heading with its sentences."""

    title: str
    lines: tuple[str, ...]


def draft_talking_points(findings: Findings, words: CoachWords | None = None) -> tuple[Point, ...]:
    """Draft the points; a heading with nothing to say is left out."""
    findings = said_again(findings)
    words = words or CoachWords()
    drafts = (
        (say("What it was"), _each(findings, _was)),
        (
            say("What we set out to change"),
            (*(wording.sentence(cause) for cause in words.causes), *_each(findings, _aim)),
        ),
        (say("What the drill did"), _drill(findings)),
        (say("What changed, and by how much"), (*_changed(findings), *_leads(findings))),
        (say("What is still there"), _still_there(findings)),
        (say("What next"), _next(findings, words)),
    )
    return tuple(Point(title=title, lines=tuple(lines)) for title, lines in drafts if lines)


def as_text(points: Iterable[Point]) -> str:
    """Write the points as plain text to edit."""
    return (
        "\n\n".join("\n".join((point.title, *(f"- {line}" for line in point.lines)))
                    for point in points)
        + "\n"
    )  # fmt: skip


def _each(findings: Findings, line: Callable[[FocusFinding], str]) -> tuple[str, ...]:
    return tuple(said for one in findings.focus if (said := line(one)))


def _title(one: FocusFinding) -> str:
    return wording.capital(wording.measure_title(one.name, one.at))


def _described(one: FocusFinding, stage: Stage) -> tuple[int, str] | None:
    """Count a stage's swings and write their mean."""
    values = next((row for row in one.stages if row.stage is stage), None)
    wild = {Stage.BEFORE: one.change.wild_a, Stage.AFTER: one.change.wild_b}.get(stage, ())
    summary = summarise_stage(values, wild=wild) if values else None
    if values is None or summary is None:
        return None
    return len(values.values) - len(wild), wording.number_with_unit(summary.mean, one.unit)


def _was(one: FocusFinding) -> str:
    found = _described(one, Stage.BEFORE)
    if found is None:
        return say("{name}: no swing before the drill could be measured.", name=_title(one))
    n, mean = found
    said = say_n(
        "{name} read {mean} in {n} swing.",
        "{name} read {mean} on average over {n} swings.",
        n,
        name=_title(one),
        mean=mean,
    )
    if n < FEW:
        said += " " + say("That is too few swings to lean on.")
    return said


def _aim(one: FocusFinding) -> str:
    worth = wording.stated_quantity(one.smallest_worth, one.unit)
    if one.direction == "more":
        return say("{name}: more of it, by at least {worth}.", name=_title(one), worth=worth)
    if one.direction == "less":
        return say("{name}: less of it, by at least {worth}.", name=_title(one), worth=worth)
    return say("{name}: to see whether it moves; {worth} is the least that matters.",
               name=_title(one), worth=worth)  # fmt: skip


def _drill(findings: Findings) -> tuple[str, ...]:
    lines = [wording.sentence(findings.drill)] if findings.drill else []
    for one in findings.focus:
        found = _described(one, Stage.DRILL)
        if found is None:
            continue
        n, mean = found
        lines.append(
            say_n(
                "In the drill, {name} read {mean} in {n} swing.",
                "In the drill, {name} read {mean} on average over {n} swings.",
                n,
                name=wording.measure_title(one.name, one.at),
                mean=mean,
            )
        )
    if len(lines) > bool(findings.drill):
        lines.append(say("A drill's swings are not judged; what counts is what stays without it."))
    return tuple(lines)


def _changed(findings: Findings) -> tuple[str, ...]:
    if not findings.focus:
        return ()
    changed = [one for one in findings.focus if one.change.verdict is Verdict.CHANGED]
    if not changed:
        return (say("No focus measure has changed for certain in this lesson."),)
    return tuple(_coach_sentence(one) for one in changed)


def _still_there(findings: Findings) -> tuple[str, ...]:
    lines = [
        _coach_sentence(one)
        for one in findings.focus
        if one.change.verdict is not Verdict.CHANGED
    ]  # fmt: skip
    lines += [
        say("{name} went the other way than we wanted.", name=_title(one))
        for one in findings.focus
        if one.change.as_wanted is False
    ]
    return tuple(lines)


def _leads(findings: Findings) -> tuple[str, ...]:
    """Name the first few side effects: nobody listens to fifteen."""
    named = [one.sentence for one in findings.side_effects[:MOST_LEADS]]
    more = len(findings.side_effects) - len(named)
    if more > 0:
        named.append(
            say_n("{n} more lead is on the sheet.", "{n} more leads are on the sheet.", more)
        )
    return tuple(named)


def _coach_sentence(one: FocusFinding) -> str:
    title = wording.measure_title(one.name, one.at)
    return verdict_sentence(one.change, title, one.unit, "coach")


def _next(findings: Findings, words: CoachWords) -> tuple[str, ...]:
    lines = []
    for line in words.plan:
        parts = [wording.capital(line.drill)]
        parts += [line.dose] if line.dose else []
        lines.append(": ".join(parts) + ".")
        if line.cue:
            lines.append(say("Cue: {cue}.", cue=line.cue.rstrip(".")))
        if line.checkpoint:
            lines.append(say("Checkpoint: {checkpoint}.", checkpoint=line.checkpoint.rstrip(".")))
    lines += [say("Cue: {cue}.", cue=cue.rstrip(".")) for cue in words.other_cues]
    if words.next_step:
        lines.append(wording.sentence(words.next_step))
    if not (words.plan or words.cues or words.next_step) and findings.focus:
        lines.append(say("Film the same swings again, from the same place, at the next lesson."))
    return (*lines, *all_cautions(findings, words))
