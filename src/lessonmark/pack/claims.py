"""Hold the coach's own words against the evidence, by rules: numbers, and words that claim.

The coach's words are theirs and stay. What is told beside them is where a sentence says more than
the verdict does: a number that was not measured, a change that is not settled, a direction that
went the other way, a cause or a permanence that no lesson can show. What is denied, asked, wished
or planned claims nothing; a sentence of the draft is by rules already. Rules read no sense: a
sentence that nothing is said about may still claim too much.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import Enum, auto

from lessonmark.evidence.change import Verdict
from lessonmark.evidence.wording import verdict_word
from lessonmark.language import say, speaking, spoken
from lessonmark.lessons.findings import Findings, FocusFinding, SideEffect
from lessonmark.pack import wording
from lessonmark.pack.claim_numbers import Number, numbers_in, numbers_measured, numbers_written
from lessonmark.pack.claim_words import CLAIM_WORDS, ClaimWords
from lessonmark.pack.said_again import said_again

__all__ = ["Doubt", "doubts"]

SHOWN_LETTERS = 160  # of a sentence: enough to find it in the text
ROUNDED = 0.15  # of a number that is called a round one
# Part of every sheet, and no measurement.
_ALWAYS = {("% torso", 95.0)}
_SENTENCE_END = re.compile(r"(?<=[.!?;])\s+")
_POSITION = re.compile(r"\bP(?:10|[1-9])\b")
_AT = ("at", "bei")
_WORD = re.compile(r"\w+")

Measure = FocusFinding | SideEffect


@dataclass(frozen=True, kw_only=True)
class Doubt:
    """A sentence that says more than the evidence."""

    words: str  # the sentence, or its beginning
    why: tuple[str, ...]


def doubts(
    text: str, findings: Findings, *, language: str, draft: str = "", own: Iterable[str] = ()
) -> tuple[Doubt, ...]:
    """Say which sentences of a text say more than the lesson shows, in the language now spoken.

    Parameters
    ----------
    text : the coach's.
    language : that the text is written in.
    draft : what was drafted in its place: its sentences, and the numbers in them, are known.
    own : what else the coach wrote into the lesson (plan, doses, cues): its numbers are known.
    """
    with speaking(language):
        found = list(_found(text, said_again(findings), draft, " ".join(own)))
    here = said_again(findings)
    measures: tuple[Measure, ...] = (*here.focus, *here.side_effects)
    return tuple(
        Doubt(words=_short(words), why=tuple(dict.fromkeys(_tell(one, measures) for one in why)))
        for words, why in found
    )


class _Kind(Enum):
    NUMBER = auto()  # that was not measured
    LASTS = auto()
    CAUSE = auto()
    PROOF = auto()
    NOTHING = auto()  # changed in this lesson, and the sentence says so of something
    LEAD = auto()
    VERDICT = auto()
    OTHER_WAY = auto()  # up for down
    UNWANTED = auto()  # better for worse
    NO_WISH = auto()  # better, and nobody said which way that is


@dataclass(frozen=True, kw_only=True)
class _Why:
    kind: _Kind
    of: int | None = None  # which measure, in the order of focus and side effects
    number: str = ""  # as written


def _tell(why: _Why, measures: tuple[Measure, ...]) -> str:
    one = None if why.of is None else measures[why.of]
    name = "" if one is None else wording.measure_title(one.name, one.at)
    title = wording.capital(name)
    match why.kind:
        case _Kind.NUMBER if name:
            return say("{number} was not measured of {name}.", number=why.number, name=name)
        case _Kind.NUMBER:
            return say("{number} is none of this lesson's numbers.", number=why.number)
        case _Kind.LASTS:
            return say("Whether it stays, only a later lesson's retest can say.")
        case _Kind.CAUSE:
            return say("The lesson shows whether it changed, and not why.")
        case _Kind.PROOF:
            return say(
                "The verdict is about averages, with a 95 % interval: no proof, not every swing."
            )
        case _Kind.LEAD:
            return say(
                "{name} is a lead: it was not named before the swings, and has no verdict.",
                name=title,
            )
        case _Kind.VERDICT if one is not None:
            verdict = verdict_word(one.change.verdict)
            return say("The verdict on {name} is: {verdict}.", name=name, verdict=verdict)
        case _Kind.OTHER_WAY if one is not None:
            moved = wording.signed(one.change.difference or 0.0, one.unit)
            return say("{name} moved by {difference}.", name=title, difference=moved)
        case _Kind.UNWANTED:
            return say("{name} went the other way than we wanted.", name=title)
        case _Kind.NO_WISH:
            return say(
                "No direction was set for {name}: what would be better, nobody said before.",
                name=name,
            )
        case _:
            return say("No focus measure has changed for certain in this lesson.")


def _found(text: str, findings: Findings, draft: str, own: str) -> Iterator[tuple[str, list[_Why]]]:
    drafted = {_plain(one) for one in _sentences(draft)}
    measures: tuple[Measure, ...] = (*findings.focus, *findings.side_effects)
    known = _Known(
        of=tuple(frozenset(numbers_measured(one)) for one in measures),
        own=frozenset(numbers_in(own)) | _ALWAYS,
        drafted=frozenset(numbers_in(draft)),
    )
    under = ""
    for line in text.splitlines():
        if _plain(line) in _headings():
            under = _plain(line)
        before: tuple[int, ...] = ()
        for sentence in _sentences(line):
            # 'It' in the next sentence of a line is what the one before named.
            named = before = _named(sentence, measures) or before
            if _plain(sentence) in drafted or sentence.endswith("?"):
                continue
            if under == _plain(say("What we set out to change")):  # wishes
                continue
            planned = under == _plain(say("What next")) and _is_planned(sentence, named)
            why = [
                *([] if planned else _number_doubts(sentence, named, known)),
                *_claim_doubts(sentence, named, findings),
            ]
            if why:
                yield sentence, why


@dataclass(frozen=True, kw_only=True)
class _Known:
    of: tuple[frozenset[Number], ...]  # by measure
    own: frozenset[Number]  # that the coach wrote into the lesson
    drafted: frozenset[Number]


def _number_doubts(sentence: str, named: tuple[int, ...], known: _Known) -> Iterator[_Why]:
    words = CLAIM_WORDS.get(spoken())
    if words and words.wished.search(sentence):
        return
    about = bool(words and words.about.search(sentence))
    # Beside a measure's name, another measure's number is as wrong as an invented one.
    among = known.own if named else known.own | known.drafted
    among = among.union(*(known.of[n] for n in named or range(len(known.of))))
    for shown, (unit, value), step in numbers_written(sentence):
        room = max(step / 2, ROUNDED * value if about else 0.0) + 1e-9
        if not any(kind == unit and abs(value - one) <= room for kind, one in among):
            yield _Why(kind=_Kind.NUMBER, of=named[0] if named else None, number=shown)


def _is_planned(sentence: str, named: tuple[int, ...]) -> bool:
    """Whether a sentence's numbers say what to do: balls, how far the towel lies, a checkpoint."""
    words = CLAIM_WORDS.get(spoken())
    return not named or words is None or bool(words.aimed.search(sentence))


def _claim_doubts(sentence: str, named: tuple[int, ...], findings: Findings) -> Iterator[_Why]:
    words = CLAIM_WORDS.get(spoken())
    if words is None:
        return
    if words.lasts.search(sentence):
        yield _Why(kind=_Kind.LASTS)
    bare = words.proof.sub("", words.lasts.sub("", sentence))  # 'no doubt' denies nothing
    if words.denied.search(bare) or words.wished.search(bare):
        return
    if words.cause.search(sentence):
        yield _Why(kind=_Kind.CAUSE)
    if words.proof.search(sentence):
        yield _Why(kind=_Kind.PROOF)
    if words.changed.search(sentence) or (named and words.compared.search(sentence)):
        yield from _change_doubts(sentence, words, named, findings)


def _change_doubts(
    sentence: str, words: ClaimWords, named: tuple[int, ...], findings: Findings
) -> Iterator[_Why]:
    """Hold a sentence that claims a change against the verdicts that it can mean."""
    focus = findings.focus
    if not named and len(focus) != 1:
        # It may mean any of them: one that has changed is enough.
        if focus and not any(one.change.verdict is Verdict.CHANGED for one in focus):
            yield _Why(kind=_Kind.NOTHING)
        return
    for n in named or (0,):
        if n >= len(focus):
            yield _Why(kind=_Kind.LEAD, of=n)
        elif focus[n].change.verdict is not Verdict.CHANGED:
            yield _Why(kind=_Kind.VERDICT, of=n)
        else:
            kind = _direction_doubt(sentence, words, focus[n])
            if kind is not None:
                yield _Why(kind=kind, of=n)


def _direction_doubt(sentence: str, words: ClaimWords, one: FocusFinding) -> _Kind | None:
    up, down = bool(words.up.search(sentence)), bool(words.down.search(sentence))
    if up != down and up is not ((one.change.difference or 0.0) > 0):
        return _Kind.OTHER_WAY
    if words.better.search(sentence) and one.change.as_wanted is not True:
        return _Kind.NO_WISH if one.change.as_wanted is None else _Kind.UNWANTED
    return None


def _named(sentence: str, measures: tuple[Measure, ...]) -> tuple[int, ...]:
    """Find which measures a sentence names, at the position that it names."""
    said = [word.casefold() for word in _WORD.findall(sentence)]
    named = [n for n, one in enumerate(measures) if _all_in(one.name, said)]
    # A longer name takes the words of a shorter one inside it: 'lead knee bend', 'knee bend'.
    longest = max((len(_words(measures[n].name)) for n in named), default=0)
    named = [n for n in named if len(_words(measures[n].name)) == longest]
    places = set(_POSITION.findall(sentence))
    there = [n for n in named if str(measures[n].at.position or "") in places]
    return tuple(there or named)


def _all_in(name: str, said: list[str]) -> bool:
    wanted = _words(name)
    return bool(wanted) and all(any(word.startswith(one) for word in said) for one in wanted)


def _words(name: str) -> list[str]:
    """Give a measure's name as words, without its position and 'at'."""
    words = [word.casefold() for word in _WORD.findall(_POSITION.sub("", name))]
    return [word for word in words if word not in _AT]


def _sentences(text: str) -> list[str]:
    lines = (line.strip().removeprefix("-").strip() for line in text.splitlines())
    return [one for line in lines for one in _SENTENCE_END.split(line) if one]


def _plain(words: str) -> str:
    return " ".join(words.split()).strip(" -:").casefold()


def _headings() -> set[str]:
    return {
        _plain(one)
        for one in (
            say("What it was"),
            say("What we set out to change"),
            say("What the drill did"),
            say("What changed, and by how much"),
            say("What is still there"),
            say("What next"),
        )
    }


def _short(sentence: str) -> str:
    if len(sentence) <= SHOWN_LETTERS:
        return sentence
    return sentence[:SHOWN_LETTERS].rsplit(" ", 1)[0] + " …"
