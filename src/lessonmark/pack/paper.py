"""One page of paper: the numbers that matter, the pictures, the causes, the plan, the cautions."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path

from lessonmark.evidence.wording import verdict_word
from lessonmark.language import say, spoken
from lessonmark.lessons.findings import Findings, FocusFinding
from lessonmark.pack import wording
from lessonmark.pack.charts import measure_chart
from lessonmark.pack.coach_words import CoachWords, PlanLine, all_cautions
from lessonmark.pack.drawing import overlay_svg
from lessonmark.pack.pictures import data_uri
from lessonmark.pack.said_again import said_again
from lessonmark.pack.stage_style import stage_word
from lessonmark.pack.typesetting import Value, typeset
from lessonmark.words import Stage

__all__ = ["PaperSize", "write_paper"]

MOST_NUMBERS = 3
# A chart drawn as wide as its column keeps its words as large as the page's.
_CHART_PX = {0: 340, 1: 340, 2: 320, 3: 225}


class PaperSize(StrEnum):
    """The two sheets that printers hold."""

    A4 = "a4"
    LETTER = "us-letter"


def write_paper(
    findings: Findings,
    path: Path,
    *,
    pictures: Path,
    words: CoachWords | None = None,
    size: PaperSize = PaperSize.A4,
    name_on_paper: bool = True,
) -> Path:
    """Write the page as a tagged PDF (PDF/UA-1).

    Parameters
    ----------
    pictures : the folder that the findings' JPEGs are in.
    words : the coach's causes and plan; left out where there are none.

    Raises
    ------
    PackError : a picture is missing, or the coach's words do not fit on one page.
    """
    findings = said_again(findings)
    words = words or CoachWords()
    files: dict[str, bytes] = {}
    shown = findings.focus[:MOST_NUMBERS]
    focus: list[Value] = [
        _column(one, k, pictures, files, _CHART_PX[len(shown)]) for k, one in enumerate(shown)
    ]
    byline = [findings.player.name] if name_on_paper and findings.player.name else []
    byline += [wording.day(findings.date), findings.club]
    byline += [say("coach: {coach}", coach=words.coach)] if words.coach else []
    values: dict[str, Value] = {
        "paper": size.value,
        "lang": spoken(),
        "kind": say("Lesson page"),
        "title": findings.lesson_title,
        "coach": words.coach,
        "byline": " · ".join(byline),
        "focus": focus,
        "causes": list(words.causes),
        "plan": [plan_value(line) for line in words.plan],
        "cues": list(words.other_cues),
        "next": words.next_step,
        "note": words.note,
        "cautions": list(all_cautions(findings, words)),
        "foot": " ".join(
            (
                wording.sentence(findings.scale_note),
                say("Every mark is one swing; the bar is the change with its 95 % interval."),
                say("Made with {software}, a coach's tool, no medical device.",
                    software=findings.software),
            )
        ),
        "words": {
            "causes": say("What led to what"),
            "plan": say("The plan"),
            "cue": say("Cue:"),
            "checkpoint": say("Checkpoint:"),
            "next": say("Next:"),
            "cautions": say("Before you practise"),
        },
    }  # fmt: skip
    page = typeset("paper.typ", values, pictures=files, day=findings.date[:10])
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(page)
    return path


def plan_value(line: PlanLine) -> dict[str, Value]:
    """Give a plan line to a template."""
    return {
        "drill": wording.capital(line.drill),
        "dose": line.dose,
        "cue": line.cue,
        "checkpoint": line.checkpoint,
    }


def _column(
    one: FocusFinding, number: int, pictures: Path, files: dict[str, bytes], chart_px: int
) -> dict[str, Value]:
    chart = f"chart-{number}.svg"
    svg = measure_chart(
        one.stages, one.change, one.unit, smallest_worth=one.smallest_worth, width=chart_px
    )
    files[chart] = svg.encode()
    title = wording.measure_title(one.name, one.at)
    column: dict[str, Value] = {
        "title": title,
        "verdict": verdict_word(one.change.verdict),
        "kind": wording.verdict_kind(one.change.verdict),
        "figure": wording.figure_words(one.change, one.unit),
        "interval": wording.figure_note(one.change, one.unit),
        "sentence": one.sentence,
        "chart": chart,
        "chart_words": f"{title}: {wording.difference_words(one.change, one.unit)}",
        "before": None,
        "after": None,
    }
    if one.pictures is not None:
        values = {
            swing_id: measured
            for row in one.stages
            for swing_id, measured in zip(row.swing_ids, row.values, strict=True)
        }
        pair = {Stage.BEFORE: one.pictures.before, Stage.AFTER: one.pictures.after}
        for side, still in pair.items():
            file = f"still-{number}-{side}.svg"
            files[file] = overlay_svg(
                still, href=data_uri(pictures / still.jpeg), words=still.caption
            ).encode()
            column[side] = file
            column[f"{side}_words"] = still.caption
            # The title above says what is measured: here the stage and its number are enough.
            measured = values.get(still.swing_id)
            shown = wording.measured_words(measured, one.unit) if measured else ""
            column[f"{side}_caption"] = f"{stage_word(side)} {shown}".strip()
    return column
