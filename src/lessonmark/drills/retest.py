"""What to film first at the next lesson, how many swings tell, and the result beside the forecast.

The forecast is what the swings would read if all of the change had stayed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import special

from lessonmark.evidence.more_swings import swings_to_film
from lessonmark.evidence.stage_mean import StageMean, stage_mean
from lessonmark.evidence.wording import decimals_for, quantity
from lessonmark.language import say, say_n
from lessonmark.measures.measured import Measured
from lessonmark.words import View

__all__ = [
    "Forecast",
    "RetestFocus",
    "beside_forecast",
    "forecast",
    "retest_lines",
    "retest_swings",
]

USUAL_SWINGS = 5  # where the scatter is not known; common practice, no source


@dataclass(frozen=True, kw_only=True)
class RetestFocus:
    """A focus measure of the last lesson."""

    name: str  # 'side bend at P6'
    unit: str
    view: View
    before: tuple[Measured, ...]
    after: tuple[Measured, ...]


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """What a retest's mean should read if the change stayed; 95 %, in the measure's unit."""

    value: float
    low: float
    high: float


def retest_swings(focus: RetestFocus, *, focus_count: int, same_camera: bool = False) -> int | None:
    """Find how many swings tell half of the change from none; None where 50 would not do.

    Half, because a change that has half gone is what a retest must be able to tell.

    Parameters
    ----------
    same_camera : leave out what another day's set-up of the camera adds.
    """
    if min(len(focus.before), len(focus.after)) < 3:
        return USUAL_SWINGS
    before, after = stage_mean(focus.before), stage_mean(focus.after)
    change = (after.mean - before.mean) / 2
    if change == 0.0:
        return None
    scatter = math.hypot(before.scatter, after.scatter) / math.sqrt(2)
    camera = 0.0 if same_camera else math.hypot(before.camera, after.camera)
    return swings_to_film(scatter, change, focus_count=focus_count, camera=camera)


def forecast(after: Sequence[Measured], swings: int) -> Forecast:
    """Say where a retest's mean of so many swings lies if the change stayed.

    Parameters
    ----------
    after : the last lesson's swings after, two at least.

    References
    ----------
    Prediction interval of a mean: t(df) * sqrt(se^2 + scatter^2 / n), and both set-ups' camera
    parts, which another day brings anew.
    """
    stage: StageMean = stage_mean(after)
    spread = math.sqrt(
        stage.standard_error**2 + stage.scatter**2 / max(1, swings) + 2 * stage.camera**2
    )
    half = float(special.stdtrit(stage.df, 0.975)) * spread
    return Forecast(value=stage.mean, low=stage.mean - half, high=stage.mean + half)


def retest_lines(foci: Sequence[RetestFocus]) -> tuple[str, ...]:
    """Say what to film first at the next lesson, and how many swings."""
    if not foci:
        return (say("Film five plain swings before anything else."),)
    lines = []
    for view in View:
        of_view = [focus for focus in foci if focus.view is view]
        if not of_view:
            continue
        counts = [retest_swings(focus, focus_count=len(foci)) for focus in of_view]
        known = [count for count in counts if count is not None]
        names = ", ".join(focus.name for focus in of_view)
        if known:
            where = say("face-on") if view is View.FACE_ON else say("down-the-line")
            lines.append(
                say_n(
                    "First of all, before any drill or word: film {n} plain swing {view}, with "
                    "the lesson's club, for {names}.",
                    "First of all, before any drill or word: film {n} plain swings {view}, with "
                    "the lesson's club, for {names}.",
                    max(known),
                    view=where,
                    names=names,
                )
            )
        lines += [
            _why_not(focus, focus_count=len(foci))
            for focus, count in zip(of_view, counts, strict=True)
            if count is None
        ]
    return tuple(lines)


def beside_forecast(
    focus: RetestFocus, retest: Sequence[Measured], *, swings: int | None = None
) -> str:
    """Say a retest's mean beside its forecast.

    Raises
    ------
    ValueError : fewer than two swings after, or none in the retest.
    """
    if len(focus.after) < 2 or not retest:
        raise ValueError("a forecast takes two swings after, and a retest one")
    ahead = forecast(focus.after, swings or len(retest))
    now = sum(one.value for one in retest) / len(retest)
    decimals = decimals_for((ahead.high - ahead.low) / 4)
    inside = ahead.low <= now <= ahead.high
    fields = {
        "name": focus.name[:1].upper() + focus.name[1:],
        "now": quantity(now, focus.unit, decimals),
        "low": quantity(ahead.low, focus.unit, decimals),
        "high": quantity(ahead.high, focus.unit, decimals),
    }
    if inside:
        return say("{name}: {now}, inside the forecast of {low} to {high}.", **fields)
    return say("{name}: {now}, outside the forecast of {low} to {high}.", **fields)


def _why_not(focus: RetestFocus, *, focus_count: int) -> str:
    """Say what hides half of the change: the camera set up anew, or the swings' own scatter."""
    name = focus.name[:1].upper() + focus.name[1:]
    if retest_swings(focus, focus_count=focus_count, same_camera=True) is not None:
        return say(
            "{name}: half of the change is no more than another day's set-up of the camera can "
            "shift it, however many swings are filmed; the scatter of the swings is not what hides "
            "it. Mark where the phone stood and put it there again.",
            name=name,
        )
    return say(
        "{name}: the change was too small against the swings' own scatter to be told from half of "
        "it by filming.",
        name=name,
    )
