"""Numbers, positions, views and verdicts as a player reads them, in the language now spoken."""

from __future__ import annotations

from datetime import date

from babel.dates import format_date

from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.value_wording import (
    measured_words,
    number_with_unit,
    stated_quantity,
    unit_digits,
    unit_sign,
)
from lessonmark.language import say, say_n, say_number, spoken
from lessonmark.measures.measured import MeasureAt
from lessonmark.pack.stage_style import stage_word
from lessonmark.words import Position, Stage, View

__all__ = [
    "capital",
    "count_of_swings",
    "day",
    "difference_words",
    "figure_note",
    "figure_words",
    "interval_words",
    "measure_title",
    "measured_words",
    "number_with_unit",
    "position_words",
    "sentence",
    "signed",
    "stated_quantity",
    "unit_sign",
    "verdict_kind",
    "view_word",
]


def signed(value: float, unit: str) -> str:
    """'+8.2°', '−3.0 cm': a difference always wears its sign."""
    plus = "+" if round(value, unit_digits(unit)) > 0 else ""
    return plus + number_with_unit(value, unit)


def interval_words(low: float, high: float, unit: str) -> str:
    """'+5.1 to +11.3°'."""
    digits = unit_digits(unit)
    ends = [
        ("+" if round(end, digits) > 0 else "") + say_number(end, digits) for end in (low, high)
    ]
    return say("{low} to {high}", low=ends[0], high=ends[1]) + unit_sign(unit)


def difference_words(change: Change, unit: str) -> str:
    """Say the difference and its interval, or that there are too few swings for one."""
    if change.difference is None:
        return say("no difference can be given yet")
    if change.low is None or change.high is None:
        return signed(change.difference, unit)
    return say(
        "{difference} (95 % interval {interval})",
        difference=signed(change.difference, unit),
        interval=interval_words(change.low, change.high, unit),
    )


def verdict_kind(verdict: Verdict) -> str:
    """Name the verdict's look: full, outlined, broken or dotted, never a colour."""
    return {
        Verdict.CHANGED: "changed",
        Verdict.NOT_CHANGED: "same",
        Verdict.NOT_SETTLED: "open",
        Verdict.TOO_FEW: "few",
    }[verdict]


def figure_words(change: Change, unit: str) -> str:
    """Give the one number of a measure: the difference, or a dash."""
    return "—" if change.difference is None else signed(change.difference, unit)


def figure_note(change: Change, unit: str) -> str:
    """Say what stands under that number: its interval, or the counts where there is none."""
    if change.low is None or change.high is None:
        return say("{a} and {b} swings", a=change.count_a, b=change.count_b)
    return say("95 % interval {interval}", interval=interval_words(change.low, change.high, unit))


def view_word(view: View) -> str:
    """Say where the camera stood."""
    return say("face-on") if view is View.FACE_ON else say("down-the-line")


def position_words(position: Position) -> str:
    """Say the position in a player's words."""
    return {
        Position.P1: say("address"),
        Position.P2: say("shaft parallel to the ground, going back"),
        Position.P3: say("lead arm parallel to the ground, going back"),
        Position.P4: say("top"),
        Position.P5: say("lead arm parallel to the ground, coming down"),
        Position.P6: say("shaft parallel to the ground, coming down"),
        Position.P7: say("impact"),
        Position.P8: say("shaft parallel to the ground, after impact"),
        Position.P9: say("trail arm parallel to the ground, after impact"),
        Position.P10: say("finish"),
    }[position]


def measure_title(name: str, at: MeasureAt) -> str:
    """'side bend at P6'; a name that says its position already stays as it is."""
    if at.position is None or at.position.value in name.split():
        return name
    return say("{name} at {at}", name=name, at=at.position.value)


def capital(words: str) -> str:
    """Begin with a capital letter."""
    return words[:1].upper() + words[1:]


def sentence(words: str) -> str:
    """Make a clause a sentence: a capital in front, a full stop behind."""
    words = words.strip()
    return capital(words) + ("" if not words or words[-1] in ".!?…" else ".")


def count_of_swings(stage: Stage, n: int) -> str:
    """'before: 5 swings'."""

    return say_n("{stage}: {n} swing", "{stage}: {n} swings", n, stage=stage_word(stage))


def day(iso: str) -> str:
    """Write a date in full; a text that is no ISO date stays as it is."""
    try:
        return format_date(date.fromisoformat(iso[:10]), format="long", locale=spoken())
    except ValueError:
        return iso
