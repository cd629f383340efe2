"""How a stage looks: told apart by place and shape first, by colour last.

Colours: Okabe and Ito's palette for every kind of colour vision (Okabe & Ito 2008, 'Color
Universal Design', jfly.uni-koeln.de/color), two of them made darker or lighter. Those on paper keep
3:1 against it and those on dark 3:1 against that (WCAG 2.2, 1.4.11). None stands for good or bad.
The pages' and the sheet's style files name the same colours; a test holds them to these.
"""

from __future__ import annotations

from dataclasses import dataclass

from lessonmark.language import say
from lessonmark.words import Stage

__all__ = ["DARK_PAPER", "INK", "PAPER", "STYLES", "StageStyle", "stage_word"]

PAPER = "#FBF8F1"
INK = "#211E1A"
DARK_PAPER = "#191816"


@dataclass(frozen=True, kw_only=True)
class StageStyle:
    """A stage's mark."""

    shape: str  # a Vega symbol
    filled: bool
    colour: str  # on paper
    colour_dark: str  # on a dark screen
    glyph: str  # the same shape as a character, for running text


STYLES = {
    Stage.BEFORE: StageStyle(
        shape="circle", filled=False, colour="#000000", colour_dark="#FFFFFF", glyph="○"
    ),
    Stage.DRILL: StageStyle(
        shape="triangle-up", filled=True, colour="#D55E00", colour_dark="#E69F00", glyph="▲"
    ),
    Stage.AFTER: StageStyle(
        shape="square", filled=True, colour="#0072B2", colour_dark="#56B4E9", glyph="■"
    ),
    Stage.PRACTICE: StageStyle(
        shape="cross", filled=True, colour="#009E73", colour_dark="#2FBF95", glyph="✚"
    ),
    Stage.RETEST: StageStyle(
        shape="diamond", filled=False, colour="#B0578C", colour_dark="#CC79A7", glyph="◇"
    ),
}


def stage_word(stage: Stage) -> str:
    """Say the stage in the language now spoken."""
    return {
        Stage.BEFORE: say("before"),
        Stage.DRILL: say("drill"),
        Stage.AFTER: say("after"),
        Stage.PRACTICE: say("practice"),
        Stage.RETEST: say("retest"),
    }[stage]
