"""The lasting picture: a focus measure over all of a player's lessons and practice.

The band is the player's own scatter at the first lesson (mean and one standard deviation of its
before-swings); every mark is one swing; drills stand on the time line where they were set.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from datetime import datetime, timedelta

from markupsafe import Markup, escape

from lessonmark.language import say, say_number
from lessonmark.lessons.listing import FocusOverTime, LessonLine, Moment
from lessonmark.lessons.record import LessonKind
from lessonmark.measures.measured import Measured
from lessonmark.pack import wording
from lessonmark.pack.stage_style import stage_word
from lessonmark.web.marks import Scale, mark, nice_ticks
from lessonmark.web.pages import short_day
from lessonmark.words import Stage

__all__ = ["lasting_chart"]

WIDTH = 720
TOP = 10.0
PLOT = 210.0
LINE = 20.0
SIDE = 46.0
LEAST_APART = 54.0  # px between two lessons, so that their marks never mix
STAGE_STEP = 15.0
SWING_STEP = 2.5


def lasting_chart(
    focus: FocusOverTime, lessons: Sequence[LessonLine], unit: str, *, title: str
) -> Markup:
    """Draw it; empty where the measure was never taken."""
    if not focus.moments:
        return Markup("")
    centres = _places([moment.at for moment in focus.moments])
    width = max(WIDTH, max(centres.values()) + SIDE)
    ends = [
        value + sign * se
        for moment in focus.moments
        for value, se in zip(moment.values, moment.ses, strict=True)
        for sign in (-1, 1)
    ]
    scale = Scale.around(ends, TOP + PLOT, TOP)
    ticks = nice_ticks(scale.low, scale.high)
    digits = 0 if all(tick == round(tick) for tick in ticks) else 1
    parts = [
        f'<line class="grid" x1="{SIDE - 8:.0f}" x2="{width:.0f}" y1="{scale(t):.1f}" '
        f'y2="{scale(t):.1f}"/><text class="tick end" x="{SIDE - 12:.0f}" '
        f'y="{scale(t) + 4:.1f}">{say_number(t, digits)}</text>'
        for t in ticks
    ]
    parts.append(_band(focus.moments, scale, width))
    for moment in focus.moments:
        parts.append(_moment(moment, centres[moment.at], scale, unit))
    bottom = TOP + PLOT
    for at, x in centres.items():
        parts.append(
            f'<text class="tick" x="{x:.1f}" y="{bottom + 16:.1f}">{escape(short_day(at))}</text>'
        )
    drawn, height = _drills(lessons, centres, bottom + 26)
    parts.append(drawn)
    return Markup(
        f'<svg class="lasting" viewBox="0 0 {width:.0f} {height:.0f}" role="group" '
        f'aria-label="{escape(title)}">{"".join(parts)}</svg>'
    )


def _places(moments: Sequence[datetime]) -> dict[datetime, float]:
    """Place lessons by date, but never so near that they run into each other."""
    days = sorted(set(moments))
    span = (days[-1] - days[0]) or timedelta(days=1)
    places: dict[datetime, float] = {}
    last = -math.inf
    for day in days:
        even = SIDE + 30 + (WIDTH - SIDE - 90) * ((day - days[0]) / span)
        last = max(even, last + LEAST_APART)
        places[day] = last
    return places


def _band(moments: Sequence[Moment], scale: Scale, width: float) -> str:
    first = next((m for m in moments if m.stage is Stage.BEFORE and len(m.values) > 1), None)
    if first is None:
        return ""
    mean, spread = statistics.fmean(first.values), statistics.stdev(first.values)
    top, bottom = scale(mean + spread), scale(mean - spread)
    height = max(min(bottom, TOP + PLOT) - max(top, TOP), 1.0)
    words = say("the scatter of the first before-swings")
    return (
        f'<rect class="scatter" x="{SIDE - 8:.0f}" y="{max(top, TOP):.1f}" '
        f'width="{width - SIDE + 8:.0f}" height="{height:.1f}">'
        f"<title>{escape(words)}</title></rect>"
    )


def _moment(moment: Moment, centre: float, scale: Scale, unit: str) -> str:
    step = {Stage.BEFORE: -1, Stage.DRILL: 0, Stage.AFTER: 1}.get(moment.stage, 0)
    x = centre + step * STAGE_STEP
    parts: list[str] = []
    count = len(moment.values)
    for n, (value, se, swing_id) in enumerate(
        zip(moment.values, moment.ses, moment.swing_ids, strict=True)
    ):
        beside = SWING_STEP * (n - (count - 1) / 2)  # in the order played, so that none is hidden
        words = say(
            "{day}, {stage}: {value}",
            day=short_day(moment.at),
            stage=stage_word(moment.stage),
            value=wording.measured_words(Measured(value=value, se=se, systematic=0.0), unit),
        )
        parts.append(
            mark(moment.stage, x + beside, scale(value), href=f"/swings/{swing_id}", words=words)
        )
    mean = scale(statistics.fmean(moment.values))
    parts.append(
        f'<line class="mean-line {moment.stage.value}" x1="{x - 7:.1f}" x2="{x + 7:.1f}" '
        f'y1="{mean:.1f}" y2="{mean:.1f}"/>'
    )
    return "".join(parts)


def _drills(
    lessons: Sequence[LessonLine], centres: dict[datetime, float], y: float
) -> tuple[str, float]:
    parts = []
    for lesson in sorted(lessons, key=lambda one: one.started_at):
        if lesson.kind is not LessonKind.LESSON or lesson.started_at not in centres:
            continue
        for name in lesson.drills:
            x = centres[lesson.started_at]
            parts.append(
                f'<line class="drill-line" x1="{x:.1f}" x2="{x:.1f}" y1="{TOP + PLOT:.1f}" '
                f'y2="{y + 4:.1f}"/>{mark(Stage.DRILL, x, y + 7)}'
                f'<text class="drill-name" x="{x + 11:.1f}" y="{y + 11:.1f}">{escape(name)}</text>'
            )
            y += LINE
    return "".join(parts), y + 6
