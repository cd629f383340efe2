"""What moves with what: the measures as a list, an arc for each pair, and the pairs' intervals.

An arc is as thick as the correlation is strong, whole where both are high together, dashed where
one is high when the other is low. Under it stands each pair's correlation with its 95 % interval.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any, Literal

import altair as alt
import vl_convert
from altair.utils import schemapi

from lessonmark.evidence.links import Association
from lessonmark.language import say, say_number, spoken
from lessonmark.pack.stage_style import INK
from lessonmark.pack.typeface import STACK, know_the_typeface, text_width

__all__ = ["MOST_SHOWN", "links_chart"]

MOST_SHOWN = 6  # arcs that an eye can follow; the rest stand in sentences
WIDTH_PX = 340
_ROW_PX = 26.0
_TEXT_PX = 12
_GRID = "#D9D2C3"
_FAINT = "#6B645A"
_STEPS = 24  # points of an arc
_FEET: tuple[tuple[int, Literal["left", "center", "right"]], ...] = (
    (-1, "left"),
    (0, "center"),
    (1, "right"),
)


def links_chart(links: Sequence[Association], names: Mapping[str, str]) -> str:
    """Draw the associations that stand out as SVG, once for the same; '' where none does.

    Parameters
    ----------
    links : the strongest first; at most `MOST_SHOWN` are drawn.
    names : plain names by key.
    """
    shown = tuple(link for link in links if link.shown and link.r is not None)[:MOST_SHOWN]
    if not shown:
        return ""
    said = {key: names.get(key, key) for link in shown for key in (link.first, link.second)}
    return _drawn(shown, tuple(said.items()), spoken())


@lru_cache(maxsize=256)
def _drawn(shown: tuple[Association, ...], said: tuple[tuple[str, str], ...], language: str) -> str:
    names = dict(said)
    with schemapi.debug_mode(False):  # the specification is ours and has tests
        chart = alt.vconcat(_arcs(shown, names), _intervals(shown, names), spacing=10)
        spec: dict[str, Any] = chart.configure(
            font=STACK.replace("'", ""),
            background="transparent",
            view=alt.ViewConfig(stroke=None),
            padding=2,
        ).to_dict(validate=False)
    know_the_typeface()
    svg: str = vl_convert.vegalite_to_svg(spec)
    return svg[svg.index("<svg") :]


def _arcs(
    shown: Sequence[Association], names: Mapping[str, str]
) -> alt.LayerChart | alt.FacetChart:
    keys = list(dict.fromkeys(key for link in shown for key in (link.first, link.second)))
    rows = {key: (n + 0.5) * _ROW_PX for n, key in enumerate(keys)}
    widest = max(text_width(names[key], _TEXT_PX) for key in keys)
    left = min(widest + 14, WIDTH_PX - 90.0)
    reach = WIDTH_PX - left - 12
    most = max(abs(rows[link.first] - rows[link.second]) for link in shown)
    points = []
    for number, link in enumerate(shown):
        top, bottom = sorted((rows[link.first], rows[link.second]))
        across = reach * (0.35 + 0.65 * (bottom - top) / most)
        for step in range(_STEPS + 1):
            angle = math.pi * step / _STEPS
            points.append(
                {
                    "link": number,
                    "step": step,
                    "x": left + across * math.sin(angle),
                    "y": (top + bottom) / 2 - (bottom - top) / 2 * math.cos(angle),
                }
            )
    height = _ROW_PX * len(keys)
    x_scale = alt.Scale(domain=[0, WIDTH_PX], nice=False)
    y_scale = alt.Scale(domain=[0, height], nice=False, reverse=True)
    x = alt.X("x", type="quantitative", axis=None, scale=x_scale)
    y = alt.Y("y", type="quantitative", axis=None, scale=y_scale)
    nodes = alt.Chart(
        alt.InlineData(values=[{"x": left, "y": rows[key], "words": names[key]} for key in keys])
    )
    layers = [
        alt.Chart(alt.InlineData(values=[point for point in points if point["link"] == number]))
        .mark_line(
            color=INK,
            opacity=0.75,
            strokeWidth=1.0 + 4.0 * abs(link.r or 0.0),
            strokeDash=[1, 0] if (link.r or 0.0) > 0 else [5, 4],
        )
        .encode(x=x, y=y, order=alt.Order("step", type="quantitative"))
        for number, link in enumerate(shown)
    ]
    layers += [
        nodes.mark_point(filled=True, color=INK, size=40, opacity=1).encode(x=x, y=y),
        nodes.mark_text(align="right", dx=-8, fontSize=_TEXT_PX, color=INK).encode(
            x=x, y=y, text=alt.Text("words", type="nominal")
        ),
    ]
    return alt.layer(*layers).properties(width=WIDTH_PX, height=height)


def _intervals(
    shown: Sequence[Association], names: Mapping[str, str]
) -> alt.LayerChart | alt.FacetChart:
    """Draw each pair's correlation on a scale from -1 to 1, its names above it."""
    step = 36.0
    rows = [
        {
            "words": _pair(link, names),
            "r": link.r,
            "low": link.low,
            "high": link.high,
            "head": n * step + 10,
            "y": n * step + 24,
        }
        for n, link in enumerate(shown)
    ]
    height = step * len(rows) + 18
    y_scale = alt.Scale(domain=[0, height], nice=False, reverse=True)
    x_scale = alt.Scale(domain=[-1, 1], nice=False)

    def x(field: str) -> alt.X:
        return alt.X(field, type="quantitative", axis=None, scale=x_scale)

    def y(field: str) -> alt.Y:
        return alt.Y(field, type="quantitative", axis=None, scale=y_scale)

    at = alt.Chart(alt.InlineData(values=rows))
    ticks = alt.Chart(
        alt.InlineData(
            values=[
                {"x": value, "y": 0, "y2": height - 16, "foot": height - 6, "words": words}
                for value, words in (
                    (-1, say("opposite")),
                    (0, say("no link")),
                    (1, say("together")),
                )
            ]
        )
    )
    feet = [
        ticks.transform_filter(f"datum.x == {value}")
        .mark_text(align=align, fontSize=11, color=_FAINT)
        .encode(x=x("x"), y=y("foot"), text=alt.Text("words", type="nominal"))
        for value, align in _FEET
    ]
    return alt.layer(
        ticks.mark_rule(color=_GRID).encode(x=x("x"), y=y("y"), y2=alt.Y2("y2")),
        at.mark_rule(color=INK, size=2.4).encode(x=x("low"), x2=alt.X2("high"), y=y("y")),
        at.mark_point(shape="diamond", filled=True, color=INK, size=70, opacity=1).encode(
            x=x("r"), y=y("y")
        ),
        at.mark_text(align="left", fontSize=_TEXT_PX, color=INK).encode(
            x=alt.value(0), y=y("head"), text=alt.Text("words", type="nominal")
        ),
        *feet,
    ).properties(width=WIDTH_PX, height=height)


def _pair(link: Association, names: Mapping[str, str]) -> str:
    words = say(
        "{first} and {second}: {r}",
        first=names[link.first],
        second=names[link.second],
        r=say_number(link.r or 0.0, 1),
    )
    while len(words) > 4 and text_width(words, _TEXT_PX) > WIDTH_PX:
        words = words[:-2].rstrip() + "…"
    return words
