"""What a coach writes is held against the verdicts; the words stay as they are."""

from __future__ import annotations

from dataclasses import replace

import pytest

from lessonmark.evidence.change import Verdict
from lessonmark.language import languages, speaking
from lessonmark.pack.claim_words import CLAIM_WORDS
from lessonmark.pack.claims import doubts
from lessonmark.pack.coach_words import CoachWords, PlanLine
from lessonmark.pack.message import draft_message
from lessonmark.pack.talking_points import as_text, draft_talking_points

WORDS = CoachWords(
    plan=(PlanLine(drill="brush past the noodle", dose="3 sets of 8 swings", cue="30 cm away"),),
    next_step="film five swings in three weeks",
)


@pytest.fixture
def findings(findings_and_pictures):
    """Side bend has grown from about 11 to 19°, hip shift has not changed, hinge is open."""
    found = findings_and_pictures[0]
    verdicts = [one.change.verdict for one in found.focus]
    assert verdicts == [Verdict.CHANGED, Verdict.NOT_CHANGED, Verdict.NOT_SETTLED]
    return found


def german(findings):
    """The same lesson as the record of a German coach keeps it."""
    names = ("Seitneigung", "Hüftverschiebung", "Winkel des Handgelenks")
    return replace(
        findings,
        focus=tuple(replace(f, name=n) for f, n in zip(findings.focus, names, strict=True)),
    )


def why(text, findings, language="en", **more):
    """Give all that is told of a text, in one string."""
    if language == "de":
        findings = german(findings)
    with speaking(language):
        found = doubts(text, findings, language=language, **more)
    return " ".join(reason for one in found for reason in one.why)


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_draft_is_beyond_doubt(findings, language):
    with speaking(language):
        points = as_text(draft_talking_points(findings, WORDS))
        message = draft_message(findings, WORDS, name_in_message=True)
        for draft in (points, message):
            assert doubts(draft, findings, language=language, draft=draft) == ()
            # Not only because it is known word for word: without the draft beside it, too,
            # less what the coach's own plan says.
            own = (*(f"{line.dose} {line.cue}" for line in WORDS.plan), WORDS.next_step)
            assert doubts(draft, findings, language=language, own=own) == ()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        pytest.param("- Hip shift at P4 has improved.", "not changed", id="not changed"),
        pytest.param("Your hip shift is fixed now", "not changed", id="fixed"),
        pytest.param("Wrist angle changed a lot.", "not settled yet", id="not settled"),
        pytest.param("There is less hip shift.", "not changed", id="compared"),
        pytest.param("Side bend at P6 went down.", "moved by +", id="the other way"),
        pytest.param("Side bend is 25° now.", "25° was not measured of side bend", id="number"),
        pytest.param("Hip shift was 19 cm.", "19 cm was not measured of hip", id="another's"),
        pytest.param("You lost 12 cm at the belt.", "none of this lesson's", id="nobody's"),
        pytest.param("Side bend grew by two inches.", "two inches was not", id="inches"),
        pytest.param("That is twenty-five degrees or 45 degrees.", "45 degrees", id="in words"),
        pytest.param("We saw 40 swings.", "40 swings", id="count"),
        pytest.param("Thanks to the noodle you bend.", "not why", id="cause"),
        pytest.param("The drill has worked.", "not why", id="the drill"),
        pytest.param("Side bend stays for good.", "retest", id="lasting"),
        pytest.param("Every single swing had it.", "averages", id="every swing"),
        pytest.param("No doubt, hip shift changed.", "averages", id="no doubt"),
        pytest.param("Trunk lean at P7 has improved.", "is a lead", id="a side effect"),
        pytest.param("What next\n- Side bend is 48° now.", "48°", id="number in what next"),
        pytest.param("Wrist angle: look. It is better.", "not settled yet", id="it"),
    ],
)
def test_too_much_is_told_in_english(findings, text, told):
    assert told in why(text, findings)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        pytest.param("- Die Hüftverschiebung ist besser.", "nicht geändert", id="not changed"),
        pytest.param("Weniger Hüftverschiebung!", "nicht geändert", id="compared"),
        pytest.param("Die Seitneigung ist gesunken.", "+", id="the other way"),
        pytest.param("Seitneigung jetzt 25,5 Grad.", "25,5 Grad wurde", id="number"),
        pytest.param("Du hast 12 Zentimeter verloren.", "12 Zentimeter", id="nobody's"),
        pytest.param("Das liegt hinter uns, dank der Nudel.", "nicht warum", id="cause"),
        pytest.param("Das bleibt so.", "Nachtest", id="lasting"),
        pytest.param("Ohne Zweifel geschafft.", "Mittelwerte", id="proof"),
    ],
)
def test_too_much_is_told_in_german(findings, text, told):
    assert told in why(text, findings, "de")


@pytest.mark.parametrize(
    "text",
    [
        "Side bend at P6 has changed, from about 11 to 19°.",
        "Side bend has improved: more of it, as we wanted.",
        "Hip shift has not changed.",
        "Wrist angle: not settled yet.",
        "Let's see whether hip shift gets better.",
        "Next time we want less hip shift, 2 cm at most.",
        "Did hip shift improve?",
        "Something has changed for you.",  # one measure has
        "Hit 20 balls, three times a week, with the 7-iron.",
        "Great work today, Ada!",
        "The 95 % interval is on the sheet.",
        "What next\n- Lay the towel 40 cm behind the ball.",
        "What next\n- Checkpoint: side bend at P6 at least 25°.",
    ],
)
def test_what_is_right_denied_asked_or_planned_is_left_alone(findings, text):
    assert why(text, findings) == ""


@pytest.mark.parametrize(
    "text",
    [
        "Die Seitneigung hat sich verändert, etwa von 11 auf 19°.",
        "Mehr Seitneigung, das ist besser.",
        "Die Hüftverschiebung hat sich nicht verändert.",
        "Beim nächsten Mal soll die Hüftverschiebung kleiner sein.",
        "Ist die Hüftverschiebung besser?",
        "Der Weg des Schlägers ist das nächste Thema.",
    ],
)
def test_what_is_right_is_left_alone_in_german(findings, text):
    assert why(text, findings, "de") == ""


def test_without_any_change_nobodys_improvement_is_told(findings):
    still = replace(findings, focus=findings.focus[1:])
    assert "No focus measure has changed for certain" in why("It is much better.", still)


def test_better_needs_a_direction_that_was_set(findings):
    side = findings.focus[0]
    open_way = replace(side, direction="", change=replace(side.change, as_wanted=None))
    wrong = replace(side, direction="less", change=replace(side.change, as_wanted=False))
    for one, told in ((open_way, "No direction was set"), (wrong, "went the other way")):
        lesson = replace(findings, focus=(one, *findings.focus[1:]))
        assert told in why("Side bend is better.", lesson)


def test_the_coachs_own_numbers_are_known(findings):
    assert "40 cm" in why("The towel lies 40 cm away.", findings)
    assert why("The towel lies 40 cm away.", findings, own=("towel, 40 cm",)) == ""


def test_a_text_in_another_language_is_told_about_in_ones_own(findings):
    with speaking("en"):
        (one,) = doubts("Die Seitneigung ist 45 Grad.", german(findings), language="de")
    assert one.words == "Die Seitneigung ist 45 Grad."
    assert "was not measured" in one.why[0]


def test_the_sentence_is_told_so_that_it_is_found(findings):
    with speaking("en"):
        text = "All fine. " + "Hip shift improved, " * 20 + "truly."
        (one,) = doubts(text, findings, language="en")
    assert one.words.startswith("Hip shift improved, Hip")
    assert len(one.words) < 170


def test_every_language_has_its_words():
    assert set(CLAIM_WORDS) == set(languages())
