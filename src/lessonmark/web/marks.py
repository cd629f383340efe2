"""The marks of the stages as SVG, and the scales that charts of a page share.

The same shapes as in the pack's charts; here each mark can be a link to its swing, and colours
come from the page's style sheet, so that they follow light and dark.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from markupsafe import Markup, escape

from lessonmark.words import Stage

__all__ = ["Scale", "mark", "nice_ticks"]

_SHAPES = {
    Stage.BEFORE: '<circle r="5"/>',
    Stage.DRILL: '<path d="M0,-6L5.6,4.4L-5.6,4.4Z"/>',
    Stage.AFTER: '<path d="M-4.7,-4.7H4.7V4.7H-4.7Z"/>',
    Stage.PRACTICE: '<path d="M-2,-6H2V-2H6V2H2V6H-2V2H-6V-2H-2Z"/>',
    Stage.RETEST: '<path d="M0,-6.6L5.4,0L0,6.6L-5.4,0Z"/>',
}


@dataclass(frozen=True, kw_only=True)
class Scale:
    """A straight line from values to pixels."""

    low: float
    high: float
    start: float  # px
    stop: float  # px

    def __call__(self, value: float) -> float:
        """Pixels of a value."""
        share = (value - self.low) / ((self.high - self.low) or 1.0)
        return self.start + share * (self.stop - self.start)

    @classmethod
    def around(cls, values: list[float], start: float, stop: float) -> Scale:
        """Give the values room to breathe."""
        low, high = min(values), max(values)
        room = 0.08 * ((high - low) or abs(high) or 1.0)
        return cls(low=low - room, high=high + room, start=start, stop=stop)


def mark(stage: Stage, x: float, y: float, *, href: str = "", words: str = "") -> Markup:
    """Draw a stage's mark, as a link where `href` is given."""
    shape = (
        f'<g class="mark {stage.value}" transform="translate({x:.1f},{y:.1f})">{_SHAPES[stage]}</g>'
    )
    title = f"<title>{escape(words)}</title>" if words else ""
    if not href:
        return Markup(f"<g>{title}{shape}</g>" if title else shape)
    # A finger needs more than ten pixels (WCAG 2.2, 2.5.8: 24).
    touch = f'<rect class="touch" x="{x - 12:.1f}" y="{y - 12:.1f}" width="24" height="24"/>'
    return Markup(
        f'<a href="{escape(href)}" aria-label="{escape(words)}">{title}{touch}{shape}</a>'
    )


def nice_ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Choose round numbers between two ends (Heckbert 1990, Graphics Gems, 'Nice numbers')."""
    span = (high - low) or 1.0
    rough = span / about
    power = 10 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough)
    first = math.ceil(low / step)
    return [k * step for k in range(first, math.floor(high / step) + 1)]
