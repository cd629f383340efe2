"""Links and drills in words."""

from __future__ import annotations

import re

import numpy as np
import pytest

from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.drill_effect import DrillEffect, HowOften
from lessonmark.evidence.drill_outcome import drill_result, drill_sentence
from lessonmark.evidence.lasting import Lasted, Retention
from lessonmark.evidence.link_wording import association_sentence, chain_sentences
from lessonmark.evidence.links import ChainStep, SwingValues, check_chain, what_moves_together
from lessonmark.measures.measured import Measured

NAMES = {"a": "pelvis shift at P4", "b": "shoulder tilt at P6", "c": "release rate"}
CAUSE = re.compile(r"\b(because|causes|caused|leads to|due to|makes)\b")


def rows():
    rng = np.random.default_rng(2)
    a = rng.normal(0, 1, 20)
    b = a + rng.normal(0, 0.4, 20)
    columns = {"a": a, "b": b, "c": rng.normal(0, 1, 20)}
    return [
        SwingValues(
            stage="before",
            values={
                k: Measured(value=float(v[i]), se=0.01, systematic=0) for k, v in columns.items()
            },
        )
        for i in range(20)
    ]


def test_a_chain_is_said_arrow_by_arrow_and_never_as_cause():
    said = chain_sentences(check_chain(rows(), [ChainStep(key=k) for k in "abc"]), NAMES)
    assert re.fullmatch(
        r"Pelvis shift at P4 and shoulder tilt at P6: these swings support it; the two go together "
        r"as the chain says, from swing to swing \(correlation 0\.9, 95 % interval 0\.[78] to "
        r"[01]\.[09], 20 swings\)\.",
        said[0],
    )
    assert said[-1] == "What goes together from swing to swing need not be cause and effect."
    assert not any(CAUSE.search(sentence) for sentence in said)


def test_an_edge_of_the_graph_is_said_plainly():
    edges = what_moves_together(rows(), ["a", "b", "c"])
    assert "when one is high in a swing, so is the other" in association_sentence(edges[0], NAMES)
    assert "nothing that stands out" in association_sentence(edges[-1], NAMES)
    few = what_moves_together(rows()[:3], ["a", "b"])
    assert association_sentence(few[0], NAMES) == (
        "Pelvis shift at P4 and shoulder tilt at P6: too few swings: it takes about 7 in all."
    )


def change(verdict, *, as_wanted=None, difference=6.0, direction="more"):
    return Change(
        verdict=verdict, count_a=5, count_b=5, difference=difference, smallest_worth=3.0,
        as_wanted=as_wanted, direction=direction,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("given", "moved"),
    [
        (change(Verdict.CHANGED, as_wanted=True), True),
        (change(Verdict.CHANGED, as_wanted=False), False),
        (change(Verdict.CHANGED, direction=""), True),
        (change(Verdict.NOT_CHANGED), False),
        (change(Verdict.NOT_SETTLED), None),
        (change(Verdict.TOO_FEW, difference=None), None),
    ],
)
def test_a_drill_moved_its_measure_only_where_the_lesson_settled_it(given, moved):
    assert drill_result(given, None, player="p", drill="d", measure="m").moved is moved


@pytest.mark.parametrize(
    ("verdict", "lasted"),
    [
        (Lasted.LASTED, True),
        (Lasted.FADED, False),
        (Lasted.NOT_SETTLED, None),
        (Lasted.TOO_SOON, None),
    ],
)
def test_what_lasted_comes_from_the_retest(verdict, lasted):
    got = drill_result(
        change(Verdict.CHANGED, as_wanted=True), Retention(verdict=verdict, days=7.0),
        player="p", drill="d", measure="m",
    )  # fmt: skip
    assert got.lasted is lasted


def test_size_counts_in_smallest_changes_in_the_wanted_direction():
    less = change(Verdict.CHANGED, as_wanted=False, direction="less")
    assert drill_result(less, None, player="p", drill="d", measure="m").size == -2.0


def test_a_drill_over_players_in_words():
    often = HowOften(share=0.71, low=0.42, high=0.9, players=9, raw=0.78, pooled=True)
    effect = DrillEffect(drill="d", measure="m", players=9, unsettled=2, moved=often, lasted=often)
    assert drill_sentence(effect, "towel under the arm", "trail elbow flex") == (
        "Towel under the arm moved trail elbow flex as meant in about 7 of 10 players (95 % "
        "interval 4 to 9; 9 players so far). Where it did, it lasted in about 7 of 10 players "
        "(95 % interval 4 to 9; 9 players so far). 2 more lessons did not settle it."
    )
    few = DrillEffect(drill="d", measure="m", players=2, unsettled=0, reason="too few to say")
    assert drill_sentence(few, "towel", "tempo") == "Towel, tempo: too few to say."
