"""Say stored findings again in another language.

Findings are stored with their sentences, in the language in which they were analysed. A pack in
another language needs those sentences anew: each is matched with the messages of the catalogue,
what stood in its fields is said again likewise, and numbers are written the new way. The coach's
own words, and sentences that no message fits, stay as they are.
"""

from __future__ import annotations

import re
import string
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache

from lessonmark.language import SOURCE_LANGUAGE, messages, say, say_number, spoken
from lessonmark.lessons.findings import (
    ClipFinding,
    Findings,
    FocusFinding,
    PicturePair,
    SideEffect,
    StillPicture,
    SwingFinding,
)
from lessonmark.measures.measured import Refused
from lessonmark.words import View

__all__ = ["said_again", "say_again"]

_WRITTEN = re.compile(r"(?<![\w.,])[+\u2212-]?(?:\d[\d,]*\.\d+|\d{1,3}(?:,\d{3})+)(?![\w.,])")
_NUMBER = re.compile(r"[+\u2212-]?\d[\d,]*(\.\d+)?")
_UNITS = ("% of the torso",)  # those that are words
_POSITION = re.compile(r"P\d+")
_SHAPES = {"value": r"([+\u2212-]?\d.*?)"}  # a value begins with its number
_CHECKED = {"number": _NUMBER, "n": _NUMBER, "at": _POSITION, "position": _POSITION}
_SPEAKING = {"do", "parts", "how", "why", "reason"}  # fields that may hold whole sentences
# A message with fewer letters of its own than this fits too much by chance, unless one of its
# fields can be checked.
_FEWEST_LETTERS = 6
_SENTENCE_END = re.compile(r"(?<=[.!?])\s+")
_NEXT_MESSAGE = re.compile(r"[.!?]\s|; ")


@dataclass(frozen=True, kw_only=True)
class _Template:
    pattern: re.Pattern[str]
    fields: tuple[str, ...]
    letters: int
    translation: str


def say_again(text: str) -> str:
    """Say a sentence that was said in English in the language now spoken.

    Parameters
    ----------
    text : one message with its fields filled, or several in a row.

    Returns
    -------
    str : the text as it was where no message fits it, or where English is spoken.
    """
    if spoken() == SOURCE_LANGUAGE or not text:
        return text
    whole = _one(text, spoken())
    if whole is not None:
        return whole
    # Several messages in a row: take as many sentences at once as one message holds.
    parts = _SENTENCE_END.split(text)
    said: list[str] = []
    while parts:
        for n in range(len(parts), 0, -1):
            found = _one(" ".join(parts[:n]), spoken())
            if found is not None or n == 1:
                said.append(_listed(parts[0]) if found is None else found)
                del parts[:n]
                break
    return " ".join(said)


def _listed(text: str) -> str:
    """Say what is joined by semicolons, clause by clause."""
    clauses = text.split("; ")
    return "; ".join(_clause(clause) for clause in clauses)


def _clause(text: str) -> str:
    """Say 'centimetres from stature', or 'face-on: centimetres from stature'."""
    view, colon, what = text.partition(": ")
    if colon and view in set(View):
        return f"{say(view)}{colon}{_one(what, spoken()) or what}"
    return _one(text, spoken()) or text


def said_again(findings: Findings) -> Findings:
    """Say everything in the findings again that was not the coach's own words."""
    if spoken() == SOURCE_LANGUAGE:
        return findings
    return replace(
        findings,
        clips=tuple(_clip(clip) for clip in findings.clips),
        problems=tuple(
            replace(one, what=say_again(one.what), do=say_again(one.do))
            for one in findings.problems
        ),
        focus=tuple(_focus(one) for one in findings.focus),
        side_effects=tuple(_side(one) for one in findings.side_effects),
        not_measured={
            _subject(key): _refused(one) for key, one in findings.not_measured.items()
        },
        cautions=tuple(say_again(one) for one in findings.cautions),
        scale_note=say_again(findings.scale_note),
        notes=tuple(say_again(one) for one in findings.notes),
    )  # fmt: skip


def _focus(one: FocusFinding) -> FocusFinding:
    pair = one.pictures
    return replace(
        one,
        name=say_again(one.name),
        sentence=say_again(one.sentence),
        pictures=PicturePair(before=_still(pair.before), after=_still(pair.after))
        if pair
        else None,
    )


def _side(one: SideEffect) -> SideEffect:
    return replace(one, name=say_again(one.name), sentence=say_again(one.sentence))


def _still(one: StillPicture) -> StillPicture:
    return replace(one, caption=say_again(one.caption))


def _clip(one: ClipFinding) -> ClipFinding:
    return replace(
        one,
        notes=tuple(say_again(note) for note in one.notes),
        swings=tuple(_swing(swing) for swing in one.swings),
    )


def _swing(one: SwingFinding) -> SwingFinding:
    positions = replace(
        one.positions,
        found={p: replace(at, how=say_again(at.how)) for p, at in one.positions.found.items()},
        missing={p: say_again(why) for p, why in one.positions.missing.items()},
    )
    return replace(
        one,
        positions=positions,
        refused={key: _refused(why) for key, why in one.refused.items()},
        notes=tuple(say_again(note) for note in one.notes),
    )


def _refused(one: Refused) -> Refused:
    return replace(one, reason=say_again(one.reason), do=say_again(one.do))


def _subject(key: str) -> str:
    """'face-on: wrist angle'."""
    view, colon, what = key.partition(": ")
    return f"{say_again(view)}{colon}{say_again(what)}" if colon else say_again(key)


@cache
def _one(text: str, language: str) -> str | None:
    exact, templates = _known(language)
    for given, capital in ((text, False), (text[:1].lower() + text[1:], True)):
        said = exact.get(given)
        if said is None:
            said = next(
                (made for one in templates if (made := _filled(one, given, language))), None
            )
        if said is not None:
            return said[:1].upper() + said[1:] if capital and text[:1].isupper() else said
    return None


@cache
def _known(language: str) -> tuple[Mapping[str, str], tuple[_Template, ...]]:
    exact: dict[str, str] = {}
    templates: list[_Template] = []
    for source, translation in messages(language):
        parsed = list(string.Formatter().parse(source))
        fields = tuple(name for _, name, _, _ in parsed if name is not None)
        if not fields:
            exact[source.format()] = translation.format()
            continue
        literal = "".join(text for text, *_ in parsed)
        pattern = "".join(
            re.escape(text) + (_SHAPES.get(name, "(.+?)") if name is not None else "")
            for text, name, *_ in parsed
        )
        templates.append(
            _Template(
                pattern=re.compile(pattern, re.DOTALL),
                fields=fields,
                letters=sum(letter.isalpha() for letter in literal),
                translation=translation,
            )
        )
    # The more words a message has of its own, the less it fits by chance.
    templates.sort(key=lambda one: -one.letters)
    return exact, tuple(templates)


def _filled(one: _Template, text: str, language: str) -> str | None:
    found = one.pattern.fullmatch(text)
    if found is None:
        return None
    values = dict(zip(one.fields, found.groups(), strict=True))
    checked = False
    for name, pattern in _CHECKED.items():
        if name in values:
            if pattern.fullmatch(values[name]) is None:
                return None
            checked = True
    if any(_NEXT_MESSAGE.search(value) for name, value in values.items() if name not in _SPEAKING):
        return None  # a field has swallowed the next message
    if one.letters < _FEWEST_LETTERS and not checked:
        return None
    said = {name: _value(value, language) for name, value in values.items()}
    return "".join(
        literal + (said[name] if name is not None else "")
        for literal, name, _, _ in string.Formatter().parse(one.translation)
    )


def _value(value: str, language: str) -> str:
    if _NUMBER.fullmatch(value):
        digits = len(value.partition(".")[2])
        plain = float(value.replace(",", "").replace("\u2212", "-"))
        return ("+" if value.startswith("+") else "") + say_number(plain, digits)
    said = _one(value, language)
    if said is not None:
        return said
    listed = value.split(", ")
    if len(listed) > 1:
        return ", ".join(_value(part, language) for part in listed)
    for unit in _UNITS:
        if value.endswith(unit):
            return f"{_value(value.removesuffix(unit), language)}{_value(unit, language)}"
    return _WRITTEN.sub(lambda number: _value(number.group(), language), value)


def point_words() -> tuple[str, ...]:
    """Say the points and sources that stand in other messages by their plain English names."""
    return (
        say("lead shoulder"),
        say("trail shoulder"),
        say("lead elbow"),
        say("trail elbow"),
        say("lead wrist"),
        say("trail wrist"),
        say("lead hip"),
        say("trail hip"),
        say("lead knee"),
        say("trail knee"),
        say("lead ankle"),
        say("trail ankle"),
        say("lead heel"),
        say("trail heel"),
        say("lead foot index"),
        say("trail foot index"),
        say("lead ear"),
        say("trail ear"),
        say("lead eye"),
        say("trail eye"),
        say("mid hip"),
        say("mid shoulder"),
        say("mid ear"),
        say("grip butt"),
        say("grip mid"),
        say("shoulder"),
        say("hip"),
        say("ear"),
        say("eye"),
        say("stature"),
        say("club"),
        say("reference"),
        say("deg"),
    )
