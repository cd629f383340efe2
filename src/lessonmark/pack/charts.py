"""A measure's chart: a dot a swing for each stage, and the difference under it.

Altair writes the chart, vl-convert turns it into SVG; the same SVG stands in the sheet, on paper
and in the video. The lower panel shares the upper one's scale, with its zero under the mean of
the stage that the others are compared with (an estimation plot: Gardner & Altman 1986,
doi:10.1136/bmj.292.6522.746).
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import vl_convert
from altair.utils import schemapi
from scipy import stats

from lessonmark.evidence.change import Change
from lessonmark.evidence.stage_mean import stage_mean
from lessonmark.language import say, say_number
from lessonmark.lessons.findings import StageValues
from lessonmark.pack.stage_style import INK, PAPER, STYLES
from lessonmark.pack.typeface import STACK, know_the_typeface, text_width
from lessonmark.pack.wording import count_of_swings, interval_words, number_with_unit, signed
from lessonmark.words import Stage

__all__ = ["StageSummary", "measure_chart", "summarise_stage"]

WIDTH_PX = 340  # a phone's column: text stays at its size there
_LANE_PX = 9.0  # a swing's own line, so that dots never hide each other
_HEAD_PX = 22.0  # a stage's words above its lanes
_GAP_PX = 10.0
_TEXT_PX = 13
_LINE_PX = 16.0  # a second line, where two labels do not fit on one
_PADDING_PX = 2
_SIZE = re.compile(r'width="([\d.]+)" height="([\d.]+)" viewBox="[^"]*"')
_MOVED = re.compile(r'<g [^>]*transform="translate\(([\d.]+),')
_TICKS = 5  # about so many on an axis
_Z95 = stats.norm.ppf(0.975)
_GRID = "#D9D2C3"
_FAINT = "#6B645A"


@dataclass(frozen=True, kw_only=True)
class StageSummary:
    """A stage's mean and its 95 % interval; None where one swing gives no scatter."""

    mean: float
    low: float | None
    high: float | None


def summarise_stage(stage: StageValues, *, wild: Collection[int] = ()) -> StageSummary | None:
    """Average a stage's swings as the evidence does, with Student's t interval.

    Parameters
    ----------
    wild : swings (counted from 0) that were set aside.

    Returns
    -------
    StageSummary | None : None where no swing is left.
    """
    kept = [measured for k, measured in enumerate(stage.values) if k not in wild]
    if not kept:
        return None
    if len(kept) < 2:
        return StageSummary(mean=kept[0].value, low=None, high=None)
    found = stage_mean(kept)
    half = float(stats.t.ppf(0.975, found.df)) * found.standard_error
    return StageSummary(mean=found.mean, low=found.mean - half, high=found.mean + half)


@dataclass(frozen=True, kw_only=True)
class _Shown:
    """A stage that has something to draw."""

    stage: StageValues
    wild: tuple[int, ...]
    summary: StageSummary


def measure_chart(
    stages: Sequence[StageValues],
    change: Change,
    unit: str,
    *,
    smallest_worth: float | None = None,
    compared: tuple[Stage, Stage] = (Stage.BEFORE, Stage.AFTER),
    width: int = WIDTH_PX,
) -> str:
    """Draw one measure as SVG.

    Parameters
    ----------
    stages : in the order played; those without a swing are left out.
    change : the second of `compared` minus the first.
    unit : as in the catalogue.
    smallest_worth : the band of differences too small to care about, in the unit.
    width : px.

    Returns
    -------
    str : an `<svg>` element without script or outside reference.
    """
    wild = dict(zip(compared, (change.wild_a, change.wild_b), strict=True))
    shown = [
        _Shown(stage=one, wild=wild.get(one.stage, ()), summary=summary)
        for one in stages
        if (summary := summarise_stage(one, wild=wild.get(one.stage, ()))) is not None
    ]
    if not shown:
        return ""
    # The specification is ours and has tests: checking it against the schema each time would take
    # two thirds of a chart's time.
    with schemapi.debug_mode(False):
        spec = _specification(shown, change, unit, smallest_worth, compared, width)
    know_the_typeface()
    svg: str = vl_convert.vegalite_to_svg(spec)
    return _without_room_at_the_left(svg[svg.index("<svg") :])


def _without_room_at_the_left(svg: str) -> str:
    """Let the chart begin where its lines do: the renderer guesses wide words, and leaves room."""
    size, moved = _SIZE.search(svg), _MOVED.search(svg)
    if size is None or moved is None:
        return svg
    room = float(moved[1]) - _PADDING_PX
    width, height = float(size[1]) - room, size[2]
    framed = f'width="{width:g}" height="{height}" viewBox="{room:g} 0 {width:g} {height}"'
    return svg[: size.start()] + framed + svg[size.end() :]


def _specification(
    shown: Sequence[_Shown],
    change: Change,
    unit: str,
    smallest_worth: float | None,
    compared: tuple[Stage, Stage],
    width: int,
) -> dict[str, Any]:
    centre = next((one.summary.mean for one in shown if one.stage.stage is compared[0]), None)
    domain = _domain(shown, change, centre)
    panels = [_dots(shown, unit, domain, width)]
    if change.difference is not None and centre is not None:
        shifted = (domain[0] - centre, domain[1] - centre)
        panels.append(_difference(change, unit, shifted, width, smallest_worth, compared))
    chart = alt.vconcat(*panels, spacing=6) if len(panels) > 1 else panels[0]
    spec: dict[str, Any] = chart.configure(
        font=STACK.replace("'", ""),
        background="transparent",
        view=alt.ViewConfig(stroke=None),
        axis=alt.AxisConfig(
            labelColor=_FAINT,
            titleColor=_FAINT,
            labelFontSize=11,
            labelFlush=True,
            labelBound=True,
            gridColor=_GRID,
            domainColor=_GRID,
            tickColor=_GRID,
        ),
        padding=_PADDING_PX,
    ).to_dict()
    return spec


def _domain(shown: Sequence[_Shown], change: Change, centre: float | None) -> tuple[float, float]:
    ends = [m.value + k * _Z95 * m.se for one in shown for m in one.stage.values for k in (-1, 1)]
    for one in shown:
        ends += [end for end in (one.summary.low, one.summary.high) if end is not None]
    if centre is not None:
        # The change hangs under this mean: keep room for it and for its zero.
        ends += [centre + end for end in (change.low, change.high) if end is not None]
    low, high = min(ends), max(ends)
    room = 0.06 * ((high - low) or 1.0)
    return low - room, high + room


def _rows(
    shown: Sequence[_Shown], unit: str, width: int
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], float]:
    """Lay the swings out from the top down, in px."""
    swings: list[dict[str, Any]] = []
    heads: list[dict[str, Any]] = []
    y = 0.0
    for one in shown:
        stage, summary = one.stage, one.summary
        style = STYLES[stage.stage]
        look = {
            "colour": style.colour,
            "fill": style.colour if style.filled else PAPER,
            "shape": style.shape,
        }
        words = count_of_swings(stage.stage, len(stage.values))
        mean_words = say("mean {value}", value=number_with_unit(summary.mean, unit))
        second = 0.0 if _fit(words, mean_words, width - 16) else _LINE_PX
        top = y + _HEAD_PX + second
        for k, measured in enumerate(stage.values):
            swings.append(
                {
                    **look,
                    "value": measured.value,
                    "low": measured.value - _Z95 * measured.se,
                    "high": measured.value + _Z95 * measured.se,
                    "y": top + (k + 0.5) * _LANE_PX,
                    "seen": 0.35 if k in one.wild else 1.0,
                    "aside": say("set aside") if k in one.wild else "",
                }
            )
        bottom = top + len(stage.values) * _LANE_PX
        heads.append(
            {
                **look,
                "words": words,
                "mean_words": mean_words,
                "mean_y": y + 10 + second,
                "mean": summary.mean,
                "low": summary.mean if summary.low is None else summary.low,
                "high": summary.mean if summary.high is None else summary.high,
                "y": y + 10,
                "top": top,
                "bottom": bottom,
            }
        )
        y = bottom + _GAP_PX
    return swings, heads, y


def _x(field: str, domain: tuple[float, float], axis: alt.Axis | None) -> alt.X:
    return alt.X(
        field, type="quantitative", axis=axis, scale=alt.Scale(domain=list(domain), nice=False)
    )


def _dots(
    shown: Sequence[_Shown], unit: str, domain: tuple[float, float], width: int
) -> alt.LayerChart | alt.FacetChart:
    swings, heads, height = _rows(shown, unit, width)
    ticks = _ticks(domain)
    axis = alt.Axis(
        title=None,
        values=ticks,
        labelExpr=_tick_words(domain),
        domain=False,
        ticks=False,
        grid=False,
    )
    # Beside the swings alone: through the words above them a line would strike them out.
    behind = [
        {"tick": tick, "top": head["top"], "bottom": head["bottom"]}
        for tick in ticks
        for head in heads
    ]
    y_scale = alt.Scale(domain=[0, height], nice=False, reverse=True)

    def y(field: str) -> alt.Y:
        return alt.Y(field, type="quantitative", axis=None, scale=y_scale)

    at_head = alt.Chart(alt.InlineData(values=heads))
    dots = alt.Chart(alt.InlineData(values=swings))
    colour = alt.Color("colour", type="nominal", scale=None)
    symbol = {
        "shape": alt.Shape("shape", type="nominal", scale=None),
        "fill": alt.Fill("fill", type="nominal", scale=None),
        "stroke": alt.Stroke("colour", type="nominal", scale=None),
    }
    layers = [
        alt.Chart(alt.InlineData(values=behind))
        .mark_rule(color=_GRID, size=1)
        .encode(x=_x("tick", domain, axis), y=y("top"), y2="bottom"),
        at_head.mark_rect(opacity=0.13).encode(
            x=_x("low", domain, axis), x2="high", y=y("top"), y2="bottom", color=colour
        ),
        at_head.mark_rule(size=1.6).encode(
            x=_x("mean", domain, axis), y=y("top"), y2="bottom", color=colour
        ),
        dots.mark_rule(size=1, opacity=0.75).encode(
            x=_x("low", domain, axis), x2="high", y=y("y"), color=colour
        ),
        dots.mark_point(filled=True, strokeWidth=1.6, size=46).encode(
            x=_x("value", domain, axis),
            y=y("y"),
            opacity=alt.Opacity("seen", type="quantitative", scale=None),
            **symbol,
        ),
        at_head.mark_text(align="left", fontSize=_TEXT_PX, color=INK, fontWeight=600).encode(
            x=alt.value(16), y=y("y"), text="words:N"
        ),
        at_head.mark_point(filled=True, strokeWidth=1.6, size=60, opacity=1).encode(
            x=alt.value(6), y=y("y"), **symbol
        ),
        at_head.mark_text(align="right", fontSize=_TEXT_PX, color=INK).encode(
            x=alt.value(width), y=y("mean_y"), text="mean_words:N"
        ),
    ]
    if any(swing["aside"] for swing in swings):
        layers.append(
            dots.mark_text(align="left", dx=8, fontSize=11, color=_FAINT).encode(
                x=_x("high", domain, axis), y=y("y"), text="aside:N"
            )
        )
    return alt.layer(*layers).properties(width=width, height=height)


def _ticks(domain: tuple[float, float]) -> list[float]:
    """Give round numbers inside the domain: steps of 1, 2 or 5 times a power of ten."""
    rough = (domain[1] - domain[0]) / _TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * k for k in (1, 2, 5, 10) if power * k >= 0.75 * rough)
    first, last = math.ceil(domain[0] / step), math.floor(domain[1] / step)
    return [round(k * step, 12) for k in range(first, last + 1)]


def _difference(
    change: Change,
    unit: str,
    domain: tuple[float, float],
    width: int,
    smallest_worth: float | None,
    compared: tuple[Stage, Stage],
) -> alt.LayerChart | alt.FacetChart:
    assert change.difference is not None
    low = change.difference if change.low is None else change.low
    high = change.difference if change.high is None else change.high
    words = say("the change")
    numbers = signed(change.difference, unit)
    if change.low is not None:
        numbers += f" ({interval_words(low, high, unit)})"
    second = 0.0 if _fit(words, numbers, width) else _LINE_PX
    height = 46.0 + second
    row = {
        "difference": change.difference,
        "low": low,
        "high": high,
        "zero": 0.0,
        "y": 35.0 + second,
        "head": 10.0,
        "numbers_y": 10.0 + second,
        "top": 24.0 + second,
        "bottom": height,
        "words": words,
        "numbers": numbers,
        "worth_low": max(-(smallest_worth or 0.0), domain[0]),
        "worth_high": min(smallest_worth or 0.0, domain[1]),
    }
    axis = alt.Axis(
        title=None,
        tickCount=5,
        labelExpr=_tick_words(domain, plus=True),
        domain=False,
        ticks=False,
        grid=False,
    )
    y_scale = alt.Scale(domain=[0, height], nice=False, reverse=True)

    def y(field: str) -> alt.Y:
        return alt.Y(field, type="quantitative", axis=None, scale=y_scale)

    at = alt.Chart(alt.InlineData(values=[row]))
    layers = []
    if smallest_worth:
        layers.append(
            at.mark_rect(color=_FAINT, opacity=0.16).encode(
                x=_x("worth_low", domain, axis), x2="worth_high", y=y("top"), y2="bottom"
            )
        )
    layers += [
        at.mark_rule(color=_FAINT, size=1, strokeDash=[3, 2]).encode(
            x=_x("zero", domain, axis), y=y("top"), y2="bottom"
        ),
        at.mark_rule(color=INK, size=3).encode(x=_x("low", domain, axis), x2="high", y=y("y")),
        at.mark_point(shape="diamond", filled=True, color=INK, size=90, opacity=1).encode(
            x=_x("difference", domain, axis), y=y("y")
        ),
        at.mark_text(align="left", fontSize=_TEXT_PX, color=INK, fontWeight=600).encode(
            x=alt.value(0), y=y("head"), text="words:N"
        ),
        at.mark_text(align="right", fontSize=_TEXT_PX, color=INK).encode(
            x=alt.value(width), y=y("numbers_y"), text="numbers:N"
        ),
    ]
    return alt.layer(*layers).properties(width=width, height=height)


def _fit(left: str, right: str, width: float) -> bool:
    """Whether two labels stand on one line with a gap between them."""
    return text_width(left, _TEXT_PX, strong=True) + text_width(right, _TEXT_PX) + 10 <= width


def _tick_words(domain: tuple[float, float], *, plus: bool = False) -> str:
    """Give Vega the language's decimal sign and a true minus."""
    span = domain[1] - domain[0]
    digits = 0 if span >= 5 else 1 if span >= 0.5 else 2
    point = say_number(0.5, 1)[1]
    sign = "(datum.value > 0 ? '+' : '')" if plus else "''"
    text = f"format(abs(datum.value), '.{digits}f')"
    return f"{sign} + (datum.value < 0 ? '\u2212' : '') + replace({text}, '.', '{point}')"
