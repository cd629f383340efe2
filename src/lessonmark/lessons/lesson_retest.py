"""What to film first at the next lesson, and a retest beside what the last lesson forecast."""

from __future__ import annotations

from lessonmark.drills.retest import RetestFocus, beside_forecast, retest_lines
from lessonmark.lessons.findings import Findings, FocusFinding
from lessonmark.measures.measured import Measured
from lessonmark.words import Stage

__all__ = ["lesson_retest"]

_FORECAST_SWINGS = 2  # after-swings that a forecast takes at least


def lesson_retest(findings: Findings) -> tuple[str, ...]:
    """Say what to film first and how many swings; where a retest is in, say it too.

    Parameters
    ----------
    findings : of a lesson; its clips of stage 'retest' are the next lesson's opening swings.
    """
    foci = [(one, _focus(one)) for one in findings.focus]
    lines = list(retest_lines([focus for _, focus in foci]))
    for one, focus in foci:
        retest = _retest(one, findings)
        if retest and len(focus.after) >= _FORECAST_SWINGS:
            lines.append(beside_forecast(focus, retest))
    return tuple(lines)


def _focus(one: FocusFinding) -> RetestFocus:
    values = {row.stage: row.values for row in one.stages}
    return RetestFocus(
        name=one.name,
        unit=one.unit,
        view=one.view,
        before=values.get(Stage.BEFORE, ()),
        after=values.get(Stage.AFTER, ()),
    )


def _retest(one: FocusFinding, findings: Findings) -> tuple[Measured, ...]:
    return tuple(
        swing.values[str(one.at)]
        for clip in findings.clips
        if clip.stage is Stage.RETEST and clip.view is one.view
        for swing in clip.swings
        if str(one.at) in swing.values
    )
