"""A measure in one lesson: a mark a swing, each a link to its swing, and the change under them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from markupsafe import Markup, escape

from lessonmark.evidence.change import Change
from lessonmark.language import say, say_number
from lessonmark.lessons.findings import StageValues
from lessonmark.pack import wording
from lessonmark.pack.charts import StageSummary, summarise_stage
from lessonmark.pack.stage_style import stage_word
from lessonmark.web.marks import Scale, mark, nice_ticks
from lessonmark.words import Stage

__all__ = ["dots_chart"]

WIDTH = 460
LANE = 15.0
HEAD = 24.0
GAP = 10.0
FOOT = 26.0
Z95 = 1.959963984540054


def dots_chart(
    stages: Sequence[StageValues],
    change: Change,
    unit: str,
    *,
    title: str,
    smallest_worth: float | None = None,
    link: Callable[[str], str] = lambda swing_id: "",
) -> Markup:
    """Draw the chart.

    Parameters
    ----------
    link : gives a swing's address, '' where it has none.
    """
    shown = [stage for stage in stages if stage.values]
    if not shown:
        return Markup("")
    summaries = {stage.stage: summary for stage in shown if (summary := summarise_stage(stage))}
    base = summaries.get(Stage.BEFORE)
    scale = Scale.around(_ends(shown, change, base), 8, WIDTH - 8)
    parts: list[str] = []
    y = 0.0
    for stage in shown:
        drawn, y = _stage(stage, summaries[stage.stage], unit, scale, y, link)
        parts.append(drawn)
    ticks = nice_ticks(scale.low, scale.high)
    digits = 0 if all(tick == round(tick) for tick in ticks) else 1 if len(ticks) < 12 else 2
    grid = "".join(
        f'<line class="grid" x1="{scale(t):.1f}" x2="{scale(t):.1f}" y1="0" y2="{y:.1f}"/>'
        f'<text class="tick" x="{scale(t):.1f}" y="{y + 14:.1f}">{say_number(t, digits)}</text>'
        for t in ticks
    )
    y += FOOT
    if change.difference is not None and base is not None:
        drawn, y = _change(change, unit, scale, y, base.mean, smallest_worth)
        parts.append(drawn)
    return Markup(
        f'<svg class="dots" viewBox="0 0 {WIDTH} {y:.0f}" role="group" '
        f'aria-label="{escape(title)}">{grid}{"".join(parts)}</svg>'
    )


def _ends(stages: Sequence[StageValues], change: Change, base: StageSummary | None) -> list[float]:
    ends = [m.value + sign * m.se for s in stages for m in s.values for sign in (-1, 1)]
    if base:
        # The change hangs under this mean: keep room for it and for its zero.
        ends += [base.mean + e for e in (0.0, change.low, change.high) if e is not None]
    return ends


def _stage(
    stage: StageValues,
    summary: StageSummary,
    unit: str,
    scale: Scale,
    y: float,
    link: Callable[[str], str],
) -> tuple[str, float]:
    top = y + HEAD
    bottom = top + LANE * len(stage.values)
    parts = [
        mark(stage.stage, 10, y + 11),
        f'<text class="head" x="22" y="{y + 15:.1f}">'
        f"{escape(wording.count_of_swings(stage.stage, len(stage.values)))}</text>",
        f'<text class="mean" x="{WIDTH - 2}" y="{y + 15:.1f}">'
        f"{escape(say('mean {value}', value=wording.number_with_unit(summary.mean, unit)))}</text>",
    ]
    if summary.low is not None and summary.high is not None:
        x1, x2 = max(scale(summary.low), 0.0), min(scale(summary.high), float(WIDTH))
        parts.append(
            f'<rect class="band {stage.stage.value}" x="{x1:.1f}" y="{top:.1f}" '
            f'width="{max(x2 - x1, 0):.1f}" height="{bottom - top:.1f}"/>'
        )
    parts.append(
        f'<line class="mean-line {stage.stage.value}" x1="{scale(summary.mean):.1f}" '
        f'x2="{scale(summary.mean):.1f}" y1="{top:.1f}" y2="{bottom:.1f}"/>'
    )
    for place, (swing_id, measured) in enumerate(
        zip(stage.swing_ids, stage.values, strict=True), start=1
    ):
        lane = top + (place - 0.5) * LANE
        low = max(scale(measured.value - Z95 * measured.se), 0.0)
        high = min(scale(measured.value + Z95 * measured.se), float(WIDTH))
        parts.append(
            f'<line class="error {stage.stage.value}" x1="{low:.1f}" x2="{high:.1f}" '
            f'y1="{lane:.1f}" y2="{lane:.1f}"/>'
        )
        words = say(
            "{stage}, swing {n}: {value}",
            stage=stage_word(stage.stage),
            n=place,
            value=wording.measured_words(measured, unit),
        )
        parts.append(
            mark(stage.stage, scale(measured.value), lane, href=link(swing_id), words=words)
        )
    return "".join(parts), bottom + GAP


def _change(
    change: Change,
    unit: str,
    scale: Scale,
    y: float,
    base: float,
    smallest_worth: float | None,
) -> tuple[str, float]:
    assert change.difference is not None
    numbers = wording.signed(change.difference, unit)
    if change.low is not None and change.high is not None:
        numbers += f" ({wording.interval_words(change.low, change.high, unit)})"
    parts = [
        f'<text class="head" x="2" y="{y + 13:.1f}">{escape(say("the change"))}</text>',
        f'<text class="mean" x="{WIDTH - 2}" y="{y + 13:.1f}">{escape(numbers)}</text>',
    ]
    top, bottom = y + 22, y + 44
    if smallest_worth:
        x1 = max(scale(base - smallest_worth), 0.0)
        x2 = min(scale(base + smallest_worth), float(WIDTH))
        parts.append(
            f'<rect class="worth" x="{x1:.1f}" y="{top:.1f}" width="{max(x2 - x1, 0):.1f}" '
            f'height="{bottom - top:.1f}"/>'
        )
    parts.append(
        f'<line class="zero" x1="{scale(base):.1f}" x2="{scale(base):.1f}" '
        f'y1="{top:.1f}" y2="{bottom:.1f}"/>'
    )
    middle = (top + bottom) / 2
    if change.low is not None and change.high is not None:
        parts.append(
            f'<line class="change" x1="{scale(base + change.low):.1f}" '
            f'x2="{scale(base + change.high):.1f}" y1="{middle:.1f}" y2="{middle:.1f}"/>'
        )
    x = scale(base + change.difference)
    parts.append(f'<path class="change" d="M{x:.1f},{middle - 6:.1f}l6,6l-6,6l-6,-6Z"/>')
    return "".join(parts), bottom + 4
