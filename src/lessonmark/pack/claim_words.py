"""Words that claim something, in the languages that there is a catalogue for.

They are looked for in the coach's own text, so they are patterns and no messages. The lists are
common practice, no source, and short on purpose: a word that is missing claims unnoticed, a word
too many nags. Another language is another entry; without one, only numbers are looked at.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["CLAIM_WORDS", "NUMBER_WORDS", "UNITS", "ClaimWords"]


@dataclass(frozen=True, kw_only=True)
class ClaimWords:
    """One language's."""

    changed: re.Pattern[str]  # something is other than it was, whatever it is
    compared: re.Pattern[str]  # likewise, but only said of a measure
    up: re.Pattern[str]  # the measure reads more than before
    down: re.Pattern[str]
    better: re.Pattern[str]
    cause: re.Pattern[str]  # why it changed
    lasts: re.Pattern[str]  # that it stays
    proof: re.Pattern[str]  # that it is beyond doubt, or of every swing
    denied: re.Pattern[str]
    wished: re.Pattern[str]  # or asked, planned, hoped
    aimed: re.Pattern[str]  # of a number under "what next": a checkpoint's, not a measured one
    about: re.Pattern[str]  # the number is a round one


def _any(words: str) -> re.Pattern[str]:
    """Match any of the words, which have '|' between them, as whole words."""
    return re.compile(rf"\b(?:{words})(?!\w)", re.IGNORECASE)


CLAIM_WORDS: Mapping[str, ClaimWords] = {
    "en": ClaimWords(
        changed=_any(
            "changed|improved|improves|improvement|better|fixed|cured|solved|gone|"
            "disappeared|increased|decreased|reduced|doubled|halved"
        ),
        compared=_any(
            "more|less|fewer|smaller|larger|bigger|higher|lower|steeper|shallower|earlier|"
            "later|steadier|grew|rose|dropped|fell|shrank|moved|went|lost|gained"
        ),
        up=_any("more|larger|bigger|higher|grew|rose|increased|went up"),
        down=_any("less|smaller|lower|shrank|dropped|fell|decreased|reduced|went down|halved"),
        better=_any("improved|improves|improvement|better|fixed|cured|solved"),
        cause=_any(
            "because of|thanks to|due to|caused|"
            "the drill (?:has |have )?(?:worked|fixed|cured|made|changed|gave|did (?:it|this|that))"
        ),
        lasts=_any(
            "for good|for ever|forever|permanent(?:ly)?|will stay|will last|here to stay|"
            "won['’]t come back|never again"
        ),
        proof=_any(
            "proves?|proved|proven|proof|guaranteed?|beyond doubt|no doubt|"
            "every (?:single )?swing|always"
        ),
        denied=_any(
            r"not|no|\w+n['’]t|nothing|neither|nor|never|without|hardly|unchanged|unclear|yet"
        ),
        wished=_any(
            "whether|if|should|shall|would|could|might|may|will|want to|wanted to|we want|"
            "you want|wish|aim|goal|try|trying|let['’]s|let us|set out to|to see|next|until"
        ),
        aimed=_any("at least|at most|checkpoint|target|between|below|above"),
        about=_any("about|around|roughly|nearly|almost|some|over"),
    ),
    "de": ClaimWords(
        changed=_any(
            "geändert|verändert|verbessert|besser|behoben|geheilt|gelöst|(?-i:weg)|verschwunden|"
            "vergrößert|verkleinert|verringert|erhöht|gesunken|gestiegen|verdoppelt|"
            "halbiert"
        ),
        compared=_any(
            "mehr|weniger|kleiner|größer|höher|niedriger|steiler|flacher|früher|später|"
            "ruhiger|wuchs|stieg|sank|fiel|gewonnen|verloren|zugenommen|abgenommen|"
            "zurückgegangen"
        ),
        up=_any("mehr|größer|höher|stieg|gestiegen|erhöht|zugenommen"),
        down=_any(
            "weniger|kleiner|niedriger|sank|gesunken|fiel|verringert|abgenommen|"
            "zurückgegangen|halbiert"
        ),
        better=_any("verbessert|besser|behoben|geheilt|gelöst"),
        cause=_any(
            "wegen|dank|verursacht|bewirkt|durch die Übung|"
            r"die Übung hat (?:\w+ ){0,3}(?:geholfen|gewirkt|verändert|gebracht|geändert)"
        ),
        lasts=_any(
            "für immer|dauerhaft|bleibt so|bleibt jetzt|wird bleiben|wird halten|nie wieder|"
            "endgültig"
        ),
        proof=_any(
            "beweist|bewiesen|Beweis|garantiert|zweifellos|ohne Zweifel|mit Sicherheit|"
            "immer|jede[rmn]? (?:einzelne[rnm]? )?Schwung"
        ),
        denied=_any(r"nicht|kein\w*|nie|nichts|ohne|kaum|unverändert|unklar"),
        wished=_any(
            r"ob|falls|wenn|soll\w*|wollen|wollten|will|willst|möchte\w*|könnte\w*|würde\w*|"
            r"vielleicht|damit|nächst\w*|Ziel|versuch\w*|lass\w*|wird|werden"
        ),
        aimed=_any("mindestens|höchstens|Prüfpunkt|Zielwert|zwischen|unter|über"),
        about=_any("etwa|rund|ungefähr|knapp|fast|gut|ca|über"),
    ),
}

NUMBER_WORDS: Mapping[str, float] = {
    word: float(number)
    for words in (
        "two three four five six seven eight nine ten eleven twelve",
        "zwei drei vier fünf sechs sieben acht neun zehn elf zwölf",
    )
    for number, word in enumerate(words.split(), start=2)
}

# What stands behind a number -> the measures' unit, and what one of it is in that unit.
UNITS: tuple[tuple[str, str, float], ...] = (
    (r"°/s|deg/s|degrees? (?:a|per) second|Grad (?:in der|pro) Sekunde", "deg/s", 1.0),
    (r"°|degrees?\b|Grad\b", "deg", 1.0),
    (r"cm\b|centimet(?:er|re)s?\b|Zentimetern?\b", "cm", 1.0),
    (r"mm\b|millimet(?:er|re)s?\b|Millimetern?\b", "cm", 0.1),
    (r"inch(?:es)?\b|Zoll\b", "cm", 2.54),
    (r"m/s\b", "m/s", 1.0),
    (r"km/h\b", "m/s", 1 / 3.6),
    (r"mph\b", "m/s", 0.44704),
    (r"ms\b|milliseconds?\b|Millisekunden?\b", "ms", 1.0),
    (r"%|percent\b|per cent\b|Prozent\b", "% torso", 1.0),
    (r"swings?\b|Schwung\b|Schwünge[n]?\b", "swings", 1.0),
)
