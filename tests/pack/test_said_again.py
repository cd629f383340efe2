"""Findings that were stored in English come out in German as if they had been analysed in it."""

from __future__ import annotations

import string
from dataclasses import replace

import pytest

from lessonmark.evidence.change import Verdict
from lessonmark.evidence.compare import compare
from lessonmark.evidence.value_wording import measured_words
from lessonmark.evidence.wording import verdict_sentence
from lessonmark.language import messages, say, speaking
from lessonmark.measures.measured import Measured
from lessonmark.pack.said_again import said_again, say_again

FILLED = {"at": "P6", "position": "P6", "number": "7", "n": 5, "view": "face-on", "value": "7"}


SCALE = "centimetres from stature, {} % standard error"


def _values(message):
    values = {}
    for _, name, spec, _ in string.Formatter().parse(message):
        if name is not None:
            values[name] = 3.0 if spec else FILLED.get(name, f"<{name}>")
    return values


def test_every_message_with_words_of_its_own_is_found_again():
    """The oracle is `say` itself, spoken in German from the start."""
    wrong = []
    for message, _ in messages("de"):
        literal = "".join(text for text, *_ in string.Formatter().parse(message))
        if sum(letter.isalpha() for letter in literal) < 12:
            continue
        english = message.format(**_values(message))
        with speaking("de"):
            values = {k: say(v) if isinstance(v, str) else v for k, v in _values(message).items()}
            wanted = dict(messages("de"))[message]
            plain = "".join(
                text + ((name and _as_said(values[name], spec)) or "")
                for text, name, spec, _ in string.Formatter().parse(wanted)
            )
            if say_again(english) != plain:
                wrong.append((english, say_again(english), plain))
    assert wrong == []


def _as_said(value, spec):
    return format(value, spec).replace(".", ",") if isinstance(value, float) else str(value)


def _swings(middle, spread=1.0):
    return [
        Measured(value=middle + spread * d, se=0.8, systematic=0.4)
        for d in (-1.2, -0.4, 0.1, 0.6, 0.9)
    ]


@pytest.mark.parametrize("depth", ["player", "coach", "analyst"])
@pytest.mark.parametrize(
    ("after", "spread", "verdict"),
    [
        (20.0, 1.0, Verdict.CHANGED),
        (11.1, 1.0, Verdict.NOT_CHANGED),
        (13.0, 9.0, Verdict.NOT_SETTLED),
    ],
    ids=str,
)
def test_verdict_sentence_reads_as_if_said_in_german(after, spread, verdict, depth):
    change = compare(
        _swings(11.0),
        _swings(after, spread),
        smallest_worth=3.0,
        direction="more",
        camera_moved=False,
    )
    assert change.verdict is verdict
    english = verdict_sentence(change, "side bend at P6", "deg", depth)
    with speaking("de"):
        wanted = verdict_sentence(change, "Seitneigung bei P6", "deg", depth)
        assert say_again(english) == wanted


def test_numbers_are_written_the_german_way():
    with speaking("de"):
        assert say_again("3.4 cm") == "3,4 cm"
        assert say_again("\u22121,234.5°") == "\u22121.234,5°"


def test_caption_is_said_with_its_measure_and_its_number():
    with speaking("de"):
        said = say_again("before, swing 1: side bend at P6 12.1 ± 1.9°")
    assert said == "vorher, Schwung 1: Seitneigung bei P6 12,1 ± 1,9°"


@pytest.mark.parametrize(
    ("value", "se", "unit"),
    [(12.1, 0.97, "deg"), (45.0, 3.5, "deg"), (1234.0, 80.0, "deg/s"), (23.4, 1.1, "% torso")],
    ids=lambda v: str(v),
)
def test_a_value_with_its_error_is_said_as_if_it_had_been_said_in_german(value, se, unit):
    measured = Measured(value=value, se=se, systematic=0.0)
    english = measured_words(measured, unit)
    with speaking("de"):
        said = say_again(f"before, swing 1: side bend at P6 {english}")
        assert said == f"vorher, Schwung 1: Seitneigung bei P6 {measured_words(measured, unit)}"


def test_clauses_in_a_row_are_each_said_again():
    clauses = [SCALE.format(e) for e in ("4.2", "4.4")]
    with speaking("de"):
        assert say_again("; ".join(clauses)) == (
            "Zentimeter aus: Körpergröße, 4,2 % Standardfehler; "
            "Zentimeter aus: Körpergröße, 4,4 % Standardfehler"
        )


def test_what_is_said_of_one_view_is_said_again_with_the_view():
    clauses = f"face-on: {SCALE.format(4.2)}; down-the-line: {SCALE.format(4.4)}"
    with speaking("de"):
        assert say_again(clauses) == (
            "von vorn: Zentimeter aus: Körpergröße, 4,2 % Standardfehler; "
            "von hinten: Zentimeter aus: Körpergröße, 4,4 % Standardfehler"
        )


def test_words_of_the_coachs_own_stay():
    with speaking("de"):
        assert say_again("Brush past the noodle, then look left.") == (
            "Brush past the noodle, then look left."
        )


def test_english_stays_english():
    assert say_again("side bend at P6") == "side bend at P6"


def test_whole_findings_are_said_again(findings_and_pictures):
    findings, _ = findings_and_pictures
    note = "stand behind"
    odd = replace(findings, notes=("club and positions", note))
    with speaking("de"):
        german = said_again(odd)
    assert german.focus[0].name == "Seitneigung bei P6"
    assert german.focus[0].sentence.startswith("Seitneigung bei P6 hat sich so geändert")
    assert german.side_effects[0].name == "Rumpfneigung bei P7"
    assert german.problems[0].what == "das Video bricht hier ab oder ist beschädigt" or (
        german.problems[0].what == findings.problems[0].what
    )
    assert german.notes == ("Schläger und Positionen", note)
    assert german.lesson_title == findings.lesson_title
    assert german.drill == findings.drill
    assert german.focus[0].change == findings.focus[0].change
