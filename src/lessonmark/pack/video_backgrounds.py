"""A scene's page behind its moving pictures, set in Typst as paper and card are."""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from PIL import Image

from lessonmark.evidence.wording import verdict_word
from lessonmark.language import say, spoken
from lessonmark.lessons.findings import Findings
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
    assert scene.focus is not None
    one = findings.focus[scene.focus]
    whole = scene.kind == "whole"
    pictures: dict[str, bytes] = {}
    if scene.kind == "chart":
        svg = measure_chart(one.stages, one.change, one.unit, smallest_worth=one.smallest_worth)
        pictures["chart.svg"] = svg.encode()
    judged = scene.kind in ("chart", "take")
    place = wording.view_word(one.view)
    if one.at.position and not whole:
        place = f"{wording.position_words(one.at.position)} · {place}"
    chapters = [k for k, other in enumerate(scenes) if other.chapter]
    values: dict[str, Value] = {
        "fill": PAPER,
        "lang": spoken(),
        "place": place,
        "title": say("The whole swing") if whole else wording.measure_title(one.name, one.at),
        "verdict": verdict_word(one.change.verdict) if judged else "",
        "kind": wording.verdict_kind(one.change.verdict),
        "chart": "chart.svg" if pictures else None,
        "sides": _sides(scene),
        "caption": scene.caption,
        "caption_y": 440 if scene.sides else 420,
        "caption_high": 120,
        "steps": len(chapters),
        "step": sum(k <= number for k in chapters) - 1,
    }
    return _pixels(typeset("frame.typ", values, pictures=pictures, form="png", ppi=_PPI))


def _sides(scene: Scene) -> list[Value]:
    if not scene.sides:
        return []
    figures = scene.figures or ("", "")
    sides: list[Value] = []
    for stage, figure in zip((Stage.BEFORE, Stage.AFTER), figures, strict=True):
        sides.append({"stage": f"{STYLES[stage].glyph} {stage_word(stage)}", "figure": figure})
    return sides


def _pixels(png: bytes) -> npt.NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"), dtype=np.uint8)
