"""Cards the size of a phone's screen: one to keep, and the video's first and last picture."""

from __future__ import annotations

from pathlib import Path

from lessonmark.evidence.wording import verdict_word
from lessonmark.language import say, spoken
from lessonmark.lessons.findings import Findings, FocusFinding
from lessonmark.pack import wording
from lessonmark.pack.coach_words import CoachWords, all_cautions
from lessonmark.pack.said_again import said_again
from lessonmark.pack.stage_style import PAPER
from lessonmark.pack.typesetting import Value, typeset

__all__ = ["card_png", "closing_png", "title_png", "write_card"]

CARD_WIDTH, CARD_HEIGHT = 1080, 1920
_PPI = 216.0


def write_card(
    findings: Findings,
    path: Path,
    *,
    words: CoachWords | None = None,
    name_on_card: bool = False,
) -> Path:
    """Write the phone card, 1080 x 1920 px.

    Raises
    ------
    PackError : the coach's words do not fit on one card.
    """
    page = card_png(findings, words=words, name_on_card=name_on_card)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(page)
    return path


def card_png(
    findings: Findings, *, words: CoachWords | None = None, name_on_card: bool = False
) -> bytes:
    """Set the card as a PNG: verdicts, numbers, the plan in short, the cautions."""
    findings = said_again(findings)
    words = words or CoachWords()
    lists = _plan(words)
    if findings.drill and not words.plan:
        lists.append(_list(say("The drill"), [findings.drill], "→"))
    lists.append(_list(say("Before you practise"), list(all_cautions(findings, words)), "!"))
    return _set(
        findings,
        kind=say("Lesson card"),
        byline=_byline(findings, name_on_card),
        focus=[_figure(one) for one in findings.focus[:3]],
        lists=lists,
        foot=say("Each change with its 95 % interval. A coach's tool, no medical device."),
    )


def title_png(findings: Findings, *, words: CoachWords, name_on_card: bool) -> bytes:
    """Set the video's first picture: what the lesson was, and what is compared."""
    counts = [
        wording.count_of_swings(stage.stage, len(stage.values))
        for stage in (findings.focus[0].stages if findings.focus else ())
        if stage.values
    ]
    lists = [_list(say("What you worked on"), [_title(one) for one in findings.focus[:3]], "→")]
    if findings.drill:
        lists.append(_list(say("The drill"), [findings.drill], "→"))
    if counts:
        lists.append(_list(say("Filmed"), counts, "→"))
    byline = _byline(findings, name_on_card)
    if words.coach:
        byline += " · " + say("coach: {coach}", coach=words.coach)
    return _set(
        findings, kind=say("Lesson review"), byline=byline, focus=[], lists=lists, foot=_foot()
    )


def closing_png(findings: Findings, *, words: CoachWords) -> bytes:
    """Set the video's last picture: the plan and the cautions."""
    lists = _plan(words)
    lists.append(_list(say("Before you practise"), list(all_cautions(findings, words)), "!"))
    return _set(
        findings, kind=say("What next"), byline="", focus=[], lists=lists, foot=_foot()
    )  # fmt: skip


def _foot() -> str:
    return say("This video shows a person: pass it on only with their consent.")


def _byline(findings: Findings, with_name: bool) -> str:
    name = [findings.player.name] if with_name and findings.player.name else []
    return " · ".join((*name, wording.day(findings.date)))


def _title(one: FocusFinding) -> str:
    return wording.measure_title(one.name, one.at)


def _figure(one: FocusFinding) -> Value:
    return {
        "title": _title(one),
        "verdict": verdict_word(one.change.verdict),
        "kind": wording.verdict_kind(one.change.verdict),
        "figure": wording.figure_words(one.change, one.unit),
        "interval": wording.figure_note(one.change, one.unit),
    }


def _plan(words: CoachWords) -> list[Value]:
    lines = [line.drill + (f": {line.dose}" if line.dose else "") for line in words.plan]
    lines += words.cues
    lines += [words.next_step] if words.next_step else []
    return [_list(say("The plan"), lines, "□")] if lines else []


def _list(title: str, items: list[str], mark: str) -> Value:
    return {"title": title, "items": [wording.capital(one) for one in items], "mark": mark}


def _set(
    findings: Findings,
    *,
    kind: str,
    byline: str,
    focus: list[Value],
    lists: list[Value],
    foot: str,
) -> bytes:
    values: dict[str, Value] = {
        "fill": PAPER,
        "lang": spoken(),
        "kind": kind,
        "title": findings.lesson_title,
        "byline": byline,
        "focus": focus,
        "lists": lists,
        "foot": foot,
    }
    return typeset("card.typ", values, form="png", ppi=_PPI)
