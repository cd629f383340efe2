"""Numbers with a unit: as a coach writes them, and as the evidence holds them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache

from lessonmark.lessons.findings import FocusFinding, SideEffect
from lessonmark.pack.claim_words import NUMBER_WORDS, UNITS

__all__ = ["Number", "numbers_in", "numbers_measured", "numbers_written"]

Number = tuple[str, float]  # unit, value without its sign
_NUMBER = r"[+\u2212-]?\d+(?:[.,]\d+)?"


def numbers_measured(one: FocusFinding | SideEffect) -> set[Number]:
    """Gather the numbers that the evidence holds of a measure."""
    change = one.change
    values = [
        change.difference, change.low, change.high, change.detectable, change.smallest_worth,
        change.mean_a, change.mean_b, change.scatter_a, change.scatter_b,
    ]  # fmt: skip
    counts: list[float | None] = [change.count_a, change.count_b, change.more_swings]
    counts.append(change.more_after)
    for row in one.stages:
        stage = [each.value for each in row.values]
        counts.append(len(stage))
        values += [*stage, *([sum(stage) / len(stage)] if stage else [])]
    if isinstance(one, FocusFinding):
        values.append(one.smallest_worth)
    counts.append((change.count_a or 0) + (change.count_b or 0))
    return {(one.unit, abs(value)) for value in values if value is not None} | {
        ("swings", float(count)) for count in counts if count is not None
    }


def numbers_in(text: str) -> Iterator[Number]:
    """Find the numbers that have a unit of measures behind them."""
    return (number for _, number, _ in numbers_written(text))


def numbers_written(text: str) -> Iterator[tuple[str, Number, float]]:
    """Find numbers with a unit of measures: as written, in that unit, and one of its last digit."""
    for unit, scale, pattern in _patterns():
        for found in pattern.finditer(text):
            for written in (found["first"], found["second"]):
                if not written:
                    continue
                value, step = _read(written)
                sign = found["unit"]
                shown = f"{written}{'' if sign == '°' else ' '}{sign}"
                yield shown, (unit, abs(value) * scale), step * scale


def _read(written: str) -> tuple[float, float]:
    word = NUMBER_WORDS.get(written.casefold())
    if word is not None:
        return word, 1.0
    text = written.replace("\u2212", "-").replace(",", ".")
    return float(text), 10.0 ** -len(text.partition(".")[2])


@cache
def _patterns() -> tuple[tuple[str, float, re.Pattern[str]], ...]:
    number = rf"(?:{_NUMBER}|\b(?:{'|'.join(NUMBER_WORDS)})\b)"
    between = r"\s*(?:to|bis|auf|and|und|or|oder|–|-)\s*"
    taken = "|".join(sign for sign, _, _ in UNITS)
    return tuple(
        (
            unit,
            scale,
            re.compile(
                rf"(?<![\w.,])(?:(?P<first>{number})(?:\s*(?:{taken}))?{between})?"
                rf"(?P<second>{number})[\s\u00a0]*(?P<unit>{sign})(?!/)",
                re.IGNORECASE,
            ),
        )
        for sign, unit, scale in UNITS
    )
