"""A number with its unit and its error, in one way wherever a person reads it.

Page, sheet, pack and the captions under pictures all write through here. Words that explain a
verdict round by their own rule (`evidence.wording`): they speak of means.
"""

from __future__ import annotations

import math

from lessonmark.language import say, say_number
from lessonmark.measures.measured import Measured

__all__ = ["measured_words", "number_with_unit", "stated_quantity", "unit_digits", "unit_sign"]

# Two more digits than the error can carry would only look exact.
_DIGITS = {"deg": 1, "cm": 1, "% torso": 1, "ms": 0, "deg/s": 0, "m/s": 1, "s": 2, "": 2}
_Z95 = 1.96
_COARSE = 2.0  # a standard error of so many steps of the digit before leaves the last one no worth


def unit_sign(unit: str) -> str:
    """Write the unit after a number, with its space where it has one."""
    signs = {
        "deg": "°",
        "cm": "\u00a0cm",
        "% torso": "\u00a0" + say("% of the torso"),
        "ms": "\u00a0ms",
        "deg/s": "\u00a0°/s",
        "m/s": "\u00a0m/s",
        "s": "\u00a0s",
        "": "",
    }
    return signs.get(unit, f"\u00a0{unit}")


def unit_digits(unit: str) -> int:
    """Decimals that a number in this unit has at the most."""
    return _DIGITS.get(unit, 1)


def number_with_unit(value: float, unit: str) -> str:
    """'12.1°', '4.0 cm'."""
    return say_number(value, unit_digits(unit)) + unit_sign(unit)


def stated_quantity(value: float, unit: str) -> str:
    """'5°', '2.5 cm': what somebody set or read off a rule, without a zero that says nothing."""
    digits = 0 if value == round(value) else unit_digits(unit)
    return say_number(value, digits) + unit_sign(unit)


def measured_words(measured: Measured, unit: str) -> str:
    """'12.1 ± 1.9°', '45 ± 7°': one swing's value and its 95 % error (1.96 standard errors).

    The error keeps one or two figures (GUM, JCGM 100:2008, 7.2.6), and the value as many decimals.
    """
    digits = unit_digits(unit)
    if digits > 0 and measured.se >= _COARSE * 10.0 ** (1 - digits):
        # Three figures and more would be left of a large error in a fine unit.
        digits = max(0, -math.floor(math.log10(measured.se / _COARSE)))
    error = say_number(_Z95 * measured.se, digits)
    return f"{say_number(measured.value, digits)}\u00a0±\u00a0{error}{unit_sign(unit)}"
