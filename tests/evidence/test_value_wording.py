"""A value and its error are rounded together, and the error is never told to three figures."""

import re

import pytest

from lessonmark.evidence.value_wording import measured_words, stated_quantity
from lessonmark.language import speaking
from lessonmark.measures.measured import Measured


def said(value, se, unit):
    return measured_words(Measured(value=value, se=se, systematic=0.0), unit)


@pytest.mark.parametrize(
    ("value", "se", "unit", "words"),
    [
        (12.13, 0.97, "deg", "12.1 ± 1.9°"),
        (45.03, 3.47, "deg", "45 ± 7°"),
        (-3.96, 0.31, "cm", "−4.0 ± 0.6 cm"),
        (812.4, 12.0, "ms", "812 ± 24 ms"),
        (2.987, 0.031, "", "2.99 ± 0.06"),
        (2.987, 0.31, "", "3.0 ± 0.6"),
        (1234.0, 80.0, "deg/s", "1,234 ± 157 °/s"),
        (23.41, 1.1, "% torso", "23.4 ± 2.2 % of the torso"),
    ],
    ids=str,
)
def test_value_and_error_have_the_same_decimals(value, se, unit, words):
    assert said(value, se, unit).replace("\u00a0", " ") == words


@pytest.mark.parametrize("unit", ["deg", "cm", "m/s", "s", ""])
@pytest.mark.parametrize("se", [0.02, 0.11, 0.5, 0.99, 1.9, 2.0, 4.9])
def test_an_error_below_ten_has_two_figures_at_the_most(se, unit):
    # GUM, JCGM 100:2008, 7.2.6: at most two significant digits.
    figures = re.sub(r"\D", "", said(1.0, se, unit).split("±")[1]).lstrip("0")
    assert len(figures) <= 2


def test_german_writes_its_own_numbers():
    with speaking("de"):
        assert said(12.13, 0.97, "deg").replace("\u00a0", " ") == "12,1 ± 1,9°"


def test_what_was_set_has_no_zero_behind_it():
    assert stated_quantity(5.0, "deg") == "5°"
    assert stated_quantity(2.5, "cm") == "2.5\u00a0cm"
