"""A scene's page behind its moving pictures, set in Typst as paper and card are."""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from PIL import Image

from lessonmark.evidence.wording import verdict_word
from lessonmark.language import say, spoken
from lessonmark.lessons.findings import Findings, FocusFinding
from lessonmark.pack import wording
from lessonmark.pack.card import closing_png, title_png
from lessonmark.pack.charts import measure_chart
from lessonmark.pack.coach_words import CoachWords
from lessonmark.pack.stage_style import PAPER, STYLES, stage_word
from lessonmark.pack.typesetting import Value, typeset
from lessonmark.pack.video_plan import Scene
from lessonmark.words import Stage

__all__ = ["HEIGHT", "PAIR_TOP", "WIDTH", "background"]

WIDTH, HEIGHT = 1080, 1920
PAIR_TOP = 360  # px; frame.typ leaves this room
_PPI = 216.0


def background(
    findings: Findings,
    scenes: Sequence[Scene],
    number: int,
    words: CoachWords,
    with_name: bool,
) -> npt.NDArray[np.uint8]:
    """Set the page of scene `number`, (1920, 1080, 3) RGB.

    Raises
    ------
    PackError : the coach's plan does not fit on the closing card.
    """
    scene = scenes[number]
    if scene.kind == "title":
        return _pixels(title_png(findings, words=words, name_on_card=with_name))
    if scene.kind == "closing":
        return _pixels(closing_png(findings, words=words))
    one = findings.focus[scene.focus] if scene.focus is not None else None
    pictures: dict[str, bytes] = {}
    if scene.kind == "chart" and one is not None:
        svg = measure_chart(one.stages, one.change, one.unit, smallest_worth=one.smallest_worth)
        pictures["chart.svg"] = svg.encode()
    place, title = _heading(scene, one)
    judged = one is not None and scene.kind in ("chart", "take")
    sides: list[Value] = _sides(scene)
    chapters = [k for k, other in enumerate(scenes) if other.chapter]
    values: dict[str, Value] = {
        "fill": PAPER,
        "lang": spoken(),
        "place": place,
        "title": title,
        "verdict": verdict_word(one.change.verdict) if one and judged else "",
        "kind": wording.verdict_kind(one.change.verdict) if one else "",
        "chart": "chart.svg" if pictures else None,
        "sides": sides,
        "caption": scene.caption,
        "caption_y": 440 if sides else 420,
        "caption_high": 120,
        "steps": len(chapters),
        "step": sum(k <= number for k in chapters) - 1,
    }
    return _pixels(typeset("frame.typ", values, pictures=pictures, form="png", ppi=_PPI))


def _heading(scene: Scene, one: FocusFinding | None) -> tuple[str, str]:
    """Say where it is seen from, and what it is about."""
    if one is None:
        return "", say("In the coach's words")
    place = wording.view_word(one.view)
    if scene.kind == "whole":
        return place, say("The whole swing")
    if one.at.position:
        place = f"{wording.position_words(one.at.position)} · {place}"
    return place, wording.measure_title(one.name, one.at)


def _sides(scene: Scene) -> list[Value]:
    """Name the stages under the pictures; a swing that is shown alone stands in the middle."""
    panes = scene.take.panes if scene.take is not None else ()
    stages = [pane.stage for pane in panes]
    if not stages and scene.sides:
        stages = [Stage.BEFORE, Stage.AFTER]
    figures = scene.figures or ("",) * len(stages)
    at = (0.25,) if len(stages) == 1 else (0.0, 0.5)
    return [
        {"stage": f"{STYLES[stage].glyph} {stage_word(stage)}", "figure": figure, "at": place}
        for stage, figure, place in zip(stages, figures, at, strict=False)
    ]


def _pixels(png: bytes) -> npt.NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"), dtype=np.uint8)
