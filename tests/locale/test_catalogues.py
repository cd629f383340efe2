"""Every language says everything that the source says, with the same fields filled in."""

from __future__ import annotations

import re
import string
from importlib import resources
from pathlib import Path

import pytest
from babel.messages.pofile import read_po

import lessonmark
from lessonmark.drills.library import read_library
from lessonmark.language import languages, say, say_n, say_number, speaking
from lessonmark.locale.extraction import extract_messages

PACKAGE = Path(lessonmark.__file__).parent
LANGUAGES = [name for name in languages() if name != "en"]


@pytest.fixture(scope="module")
def messages():
    return extract_messages(PACKAGE)


def _catalogue(language):
    path = resources.files("lessonmark") / "locale" / language / "LC_MESSAGES" / "lessonmark.po"
    with path.open("rb") as file:
        return read_po(file, locale=language)


def _fields(text):
    return {(name, spec) for _, name, spec, _ in string.Formatter().parse(text) if name is not None}


def test_german_is_there():
    assert "de" in LANGUAGES


def test_extraction_finds_all_three_places(messages):
    assert "side bend" in messages  # an entry of the catalogue of measures
    assert "What you worked on" in messages  # a template
    assert messages["{stage}: {n} swing"] == "{stage}: {n} swings"  # a plural
    # Adjacent literals are one message.
    assert any(len(message) > 100 and "\n" not in message for message in messages)


@pytest.mark.parametrize("language", LANGUAGES)
def test_catalogue_is_complete(language, messages):
    said = {
        (m.id[0] if isinstance(m.id, tuple) else m.id): m.string
        for m in _catalogue(language)
        if m.id
    }
    missing = [
        message
        for message, plural in messages.items()
        if not (all(said.get(message) or ("",)) if plural else said.get(message))
    ]
    assert missing == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_catalogue_holds_nothing_that_nobody_says(language, messages):
    ids = {(m.id[0] if isinstance(m.id, tuple) else m.id) for m in _catalogue(language) if m.id}
    assert ids - set(messages) == set()


@pytest.mark.parametrize("language", LANGUAGES)
def test_fields_agree(language):
    wrong = []
    for message in _catalogue(language):
        if not message.id:
            continue
        many = isinstance(message.id, tuple)
        wanted = _fields(message.id[-1] if many else message.id)
        for text in message.string if many else (message.string,):
            given = _fields(text)
            # 'one swing' may leave the number out.
            if given != wanted and not (many and wanted - given == {("n", "")}):
                wrong.append(text)
    assert wrong == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_catalogue_has_no_doubtful_entry(language):
    assert [message.id for message in _catalogue(language) if message.fuzzy] == []


def test_german_is_spoken_with_its_plurals_and_numbers():
    with speaking("de"):
        assert say("side bend") == "Seitneigung"
        assert say_n("{n} swing", "{n} swings", 1) == "1 Schwung"
        assert say_n("{n} swing", "{n} swings", 5) == "5 Schwünge"
        assert say_number(-1234.5, 1) == "\u22121.234,5"
        assert say("Place: about {distance:.1f} m away.", distance=4.25).startswith(
            "Standort: etwa 4,2 m"
        )
        assert say("") == ""
    assert say("side bend") == "side bend"
    assert say("Place: about {distance:.1f} m away.", distance=4.25).endswith("4.2 m away.")


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_drill_of_the_library_is_told_in_every_language(language):
    for drill in read_library():
        words = drill.words[language]
        assert all((words.name, words.cue, words.easier, words.harder)), drill.id
        assert len(words.set_up) == len(drill.set_up), drill.id
        # The same sizes stand in both: a drill set up wrongly is a danger.
        for own, other in zip(drill.set_up, words.set_up, strict=True):
            assert _numbers(other) == _numbers(own), drill.id


def _numbers(text):
    return sorted(re.findall(r"(?<![A-Za-z])\d+", text))
