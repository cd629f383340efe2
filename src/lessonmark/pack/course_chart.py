"""The lasting picture: a measure over lessons and practice, the same for page and paper.

The band is where single swings lie if the player swings as before the first lesson, dots are
swings, the outlined window is the coach's target, drills stand on the time line where they were
set. Dates keep their true distances as far as the marks of two days do not run into each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any

import altair as alt
import vl_convert
from altair.utils import schemapi
from babel.dates import format_date, format_skeleton

from lessonmark.evidence.course import MeasureCourse
from lessonmark.language import say, say_number, spoken
from lessonmark.pack.stage_style import INK, PAPER, STYLES, stage_word
from lessonmark.pack.typeface import STACK, know_the_typeface, text_width
from lessonmark.pack.wording import number_with_unit
from lessonmark.words import Stage

__all__ = ["course_chart"]

WIDTH_PX = 720
_PLOT_PX = 230.0
_SIDE_PX = 52.0
_END_PX = 118.0  # on the right, for the words of band and window
_LEAST_APART_PX = 58.0  # two days, so that their marks never mix
_STAGE_STEP_PX = 15.0
_SWING_STEP_PX = 2.5
_LINE_PX = 19.0
_GRID = "#D9D2C3"
_FAINT = "#6B645A"
# Links are written against a name that no server has (RFC 2606) and cut down to paths at the end.
_NOWHERE = "https://page.invalid"


@dataclass(frozen=True, kw_only=True)
class _Plot:
    """Where dates and values lie, in px."""

    places: dict[datetime, float]
    width: float
    low: float
    high: float


def course_chart(
    course: MeasureCourse, *, links: Sequence[Sequence[str]] = (), spread: bool = True
) -> str:
    """Draw a course as SVG; drawn once for the same values.

    Parameters
    ----------
    links : for each set a path for each dot, '/swings/12'; empty draws no links.
    spread : draw the interval of each set's mean.

    Returns
    -------
    str : an `<svg>` element without script or outside reference; '' where there is no swing.
    """
    if not course.sets:
        return ""
    return _drawn(course, tuple(tuple(one) for one in links), spread, spoken())


@lru_cache(maxsize=512)
def _drawn(
    course: MeasureCourse, links: tuple[tuple[str, ...], ...], spread: bool, language: str
) -> str:
    with schemapi.debug_mode(False):  # the specification is ours and has tests
        spec = _specification(course, links, spread)
    know_the_typeface()
    svg: str = vl_convert.vegalite_to_svg(spec)
    return svg[svg.index("<svg") :].replace(f'xlink:href="{_NOWHERE}', 'href="')


def _specification(
    course: MeasureCourse, links: tuple[tuple[str, ...], ...], spread: bool
) -> dict[str, Any]:
    plot = _plot(course)
    drills = _drill_rows(course, plot)
    height = _PLOT_PX + 38 + _LINE_PX * len(drills)
    per_px = (plot.high - plot.low) / _PLOT_PX
    y_scale = alt.Scale(domain=[plot.high - height * per_px, plot.high], nice=False, zero=False)
    x_scale = alt.Scale(domain=[0, plot.width], nice=False)
    below = plot.low - 15 * per_px

    def x(field: str) -> alt.X:
        return alt.X(field, type="quantitative", axis=None, scale=x_scale)

    def y(field: str) -> alt.Y:
        return alt.Y(field, type="quantitative", axis=None, scale=y_scale)

    def at(*rows: dict[str, Any]) -> alt.Chart:
        return alt.Chart(alt.InlineData(values=list(rows)))

    right = plot.width - _END_PX
    ticks = [
        {"x": _SIDE_PX - 8, "x2": right, "y": tick, "words": say_number(tick, digits)}
        for tick, digits in _ticks(plot.low, plot.high)
    ]
    layers: list[alt.Chart] = [
        at(*ticks).mark_rule(color=_GRID, size=1).encode(x=x("x"), x2=alt.X2("x2"), y=y("y")),
        at(*ticks)
        .mark_text(align="right", dx=-5, fontSize=11, color=_FAINT)
        .encode(x=x("x"), y=y("y"), text=alt.Text("words", type="nominal")),
    ]
    layers += _fields(course, plot, right, x, y, at)
    if course.trend is not None:
        ends = {
            "x": plot.places[course.sets[0].when],
            "x2": plot.places[course.sets[-1].when],
            "y": course.trend.at(course.sets[0].when),
            "y2": course.trend.at(course.sets[-1].when),
        }
        layers.append(
            at(ends)
            .mark_rule(color=INK, size=1.4, strokeDash=[6, 3])
            .encode(x=x("x"), x2=alt.X2("x2"), y=y("y"), y2=alt.Y2("y2"))
        )
    layers += _sets(course, links, spread, plot, x, y, at)
    dates = [
        {"x": px, "y": below - 13 * line * per_px, "words": words}
        for day, px in plot.places.items()
        for line, words in enumerate(_date_lines(day, plot))
        if words
    ]
    layers.append(
        at(*dates)
        .mark_text(fontSize=11, color=_FAINT)
        .encode(x=x("x"), y=y("y"), text=alt.Text("words", type="nominal"))
    )
    if drills:
        style = STYLES[Stage.DRILL]
        marks = at(*({**row, "y": plot.low - row["line"] * per_px} for row in drills))
        layers += [
            marks.mark_point(
                shape=style.shape, filled=True, color=style.colour, size=52, opacity=1
            ).encode(x=x("x"), y=y("y")),
            marks.mark_text(align="left", dx=9, fontSize=12, color=INK).encode(
                x=x("x"), y=y("y"), text=alt.Text("words", type="nominal")
            ),
        ]
    context: dict[str, Any] = {"top_level": False, "datasets": {}}
    drawn = [layer.to_dict(validate=False, context=context) for layer in layers]
    # Put together by hand: the library's own layering copies every value many times over.
    return {
        "$schema": alt.SCHEMA_URL,
        "width": plot.width,
        "height": height,
        "padding": 2,
        "background": "transparent",
        "config": {"font": STACK.replace("'", ""), "view": {"stroke": None}},
        "layer": drawn,
        "datasets": context["datasets"],
    }


def _fields(
    course: MeasureCourse, plot: _Plot, right: float, x: Any, y: Any, at: Any
) -> list[alt.Chart]:
    """Draw the band of the player's own scatter, the target window, and when to look again."""
    layers: list[alt.Chart] = []
    words: list[dict[str, Any]] = []
    left = _SIDE_PX - 8
    if course.band is not None:
        band = {"x": left, "x2": right, "y": course.band.low, "y2": course.band.high}
        layers.append(
            at(band)
            .mark_rect(color=_FAINT, opacity=0.16, clip=True)
            .encode(x=x("x"), x2=alt.X2("x2"), y=y("y"), y2=alt.Y2("y2"))
        )
        words.append({"x": right + 6, "y": course.band.middle, "words": say("own scatter")})
    if course.target is not None:
        low, high = (min(max(end, plot.low), plot.high) for end in course.target)
        ends = [end for end in course.target if math.isfinite(end)]
        layers.append(
            at(*({"x": left, "x2": right, "y": end} for end in ends))
            .mark_rule(color=INK, size=1.6)
            .encode(x=x("x"), x2=alt.X2("x2"), y=y("y"))
        )
        layers.append(
            at({"x": right - 3, "y": low, "y2": high})
            .mark_rule(color=INK, size=5)
            .encode(x=x("x"), y=y("y"), y2=alt.Y2("y2"))
        )
        words.append({"x": right + 6, "y": (low + high) / 2, "words": say("target window")})
    if course.look_again is not None and course.look_again in plot.places:
        place = plot.places[course.look_again]
        layers.append(
            at({"x": place, "y": plot.low, "y2": plot.high})
            .mark_rule(color=_FAINT, size=1, strokeDash=[2, 3])
            .encode(x=x("x"), y=y("y"), y2=alt.Y2("y2"))
        )
        layers.append(
            at({"x": place, "y": plot.high, "words": say("look again")})
            .mark_text(fontSize=12, color=_FAINT, dy=-7)
            .encode(x=x("x"), y=y("y"), text=alt.Text("words", type="nominal"))
        )
    if words:
        _part(words, (plot.high - plot.low) / _PLOT_PX)
        layers.append(
            at(*words)
            .mark_text(align="left", fontSize=12, color=INK)
            .encode(x=x("x"), y=y("y"), text=alt.Text("words", type="nominal"))
        )
    return layers


def _part(words: list[dict[str, Any]], per_px: float) -> None:
    """Keep two words at the right from standing on each other."""
    if len(words) == 2:
        first, second = sorted(words, key=lambda row: row["y"])
        short = 15 * per_px - (second["y"] - first["y"])
        if short > 0:
            first["y"] -= short / 2
            second["y"] += short / 2


def _sets(
    course: MeasureCourse,
    links: tuple[tuple[str, ...], ...],
    spread: bool,
    plot: _Plot,
    x: Any,
    y: Any,
    at: Any,
) -> list[alt.Chart]:
    """Draw each set: dots in the order played, the mean and its interval."""
    dots: list[dict[str, Any]] = []
    means: list[dict[str, Any]] = []
    shown = {one.when: [s.stage for s in course.sets if s.when == one.when] for one in course.sets}
    for number, one in enumerate(course.sets):
        mates = shown[one.when]
        step = _STAGE_STEP_PX * (mates.index(one.stage) - (len(mates) - 1) / 2)
        centre = plot.places[one.when] + step
        style = STYLES[one.stage]
        means.append(
            {
                "x": centre - 7,
                "x2": centre + 7,
                "middle": centre,
                "y": one.mean,
                "low": one.mean if one.low is None else max(one.low, plot.low),
                "high": one.mean if one.high is None else min(one.high, plot.high),
                "colour": style.colour,
            }
        )
        for k, value in enumerate(one.dots):  # side by side, so that none is hidden
            link = links[number][k] if links else ""
            dots.append(
                {
                    "x": centre + _SWING_STEP_PX * (k - (len(one.dots) - 1) / 2),
                    "y": value,
                    "colour": style.colour,
                    "fill": style.colour if style.filled else PAPER,
                    "shape": style.shape,
                    "href": f"{_NOWHERE}{link}",
                    "words": say(
                        "{day}, {stage}: {value}",
                        day=_short(one.when),
                        stage=stage_word(one.stage),
                        value=number_with_unit(value, course.unit),
                    ),
                }
            )
    colour = alt.Color("colour", type="nominal", scale=None)
    points = at(*dots).mark_point(filled=True, strokeWidth=1.5, size=40, opacity=1)
    encoded = {
        "x": x("x"),
        "y": y("y"),
        "shape": alt.Shape("shape", type="nominal", scale=None),
        "fill": alt.Fill("fill", type="nominal", scale=None),
        "stroke": alt.Stroke("colour", type="nominal", scale=None),
        "description": alt.Description("words", type="nominal"),
    }
    if links:
        encoded["href"] = alt.Href("href", type="nominal")
    layers = [points.encode(**encoded)]
    if spread:
        layers.insert(
            0,
            at(*means)
            .mark_rule(size=4, opacity=0.28)
            .encode(x=x("middle"), y=y("low"), y2=alt.Y2("high"), color=colour),
        )
    layers.append(
        at(*means).mark_rule(size=1.8).encode(x=x("x"), x2=alt.X2("x2"), y=y("y"), color=colour)
    )
    return layers


def _plot(course: MeasureCourse) -> _Plot:
    days = sorted({one.when for one in course.sets} | {mark.when for mark in course.drills})
    last = days[-1]
    if course.look_again is not None and course.look_again > last:
        days.append(course.look_again)
    span = (days[-1] - days[0]) or timedelta(days=1)
    places: dict[datetime, float] = {}
    reached = -math.inf
    for day in days:
        even = _SIDE_PX + 34 + (WIDTH_PX - _SIDE_PX - _END_PX - 68) * ((day - days[0]) / span)
        reached = max(even, reached + _LEAST_APART_PX)
        places[day] = reached
    low, high = _reach(course)
    return _Plot(places=places, width=max(WIDTH_PX, reached + 34 + _END_PX), low=low, high=high)


def _reach(course: MeasureCourse) -> tuple[float, float]:
    """Take in every dot, the band and the window; an interval of few swings may leave the plot."""
    ends = [value for one in course.sets for value in one.dots]
    if course.band is not None:
        ends += [course.band.low, course.band.high]
    ends += [end for end in course.target or () if math.isfinite(end)]
    low, high = min(ends), max(ends)
    room = 0.07 * ((high - low) or abs(high) or 1.0)
    return low - room, high + room


def _drill_rows(course: MeasureCourse, plot: _Plot) -> list[dict[str, Any]]:
    """Lay the drills out under the dates, each on a line of its own."""
    rows: list[dict[str, Any]] = []
    for n, mark in enumerate(course.drills):
        room = plot.width - plot.places[mark.when] - 14
        rows.append(
            {
                "x": plot.places[mark.when],
                "line": 46 + _LINE_PX * n,
                "words": _cut(mark.name, room),
            }
        )
    return rows


def _cut(words: str, room: float) -> str:
    while len(words) > 4 and text_width(words, 12) > room:
        words = words[:-2].rstrip() + "…"
    return words


def _ticks(low: float, high: float, about: int = 5) -> list[tuple[float, int]]:
    """Choose round numbers and their decimals (Heckbert 1990, Graphics Gems, 'Nice numbers')."""
    rough = (high - low) / about
    power = math.floor(math.log10(rough))
    step = next(m * 10.0**power for m in (1, 2, 5, 10) if m * 10.0**power >= rough)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first = math.ceil(low / step)
    return [(k * step, digits) for k in range(first, math.floor(high / step) + 1)]


def _date_lines(day: datetime, plot: _Plot) -> tuple[str, str]:
    """Write day and month, and the year under the first date that is in it."""
    local = day.astimezone().date()
    earlier = [one.astimezone().year for one in plot.places if one < day]
    return (
        str(format_skeleton("MMMd", local, locale=spoken())),
        "" if local.year in earlier else str(local.year),
    )


def _short(moment: datetime) -> str:
    return str(format_date(moment.astimezone().date(), format="medium", locale=spoken()))
