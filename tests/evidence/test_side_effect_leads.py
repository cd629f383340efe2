"""Screening of side effects."""

from __future__ import annotations

import numpy as np
import pytest

from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.compare import compare, guarded_p
from lessonmark.evidence.side_effects import lead_sentence, screen_side_effects
from lessonmark.measures.measured import Measured

# Benjamini & Hochberg 1995, section 4.1: the 15 p values of a thrombolysis trial, of which their
# procedure at 0.05 rejects the four smallest. Values from memory of the paper; that four are
# rejected follows from its rule, p(i) <= 0.05 i / 15: 0.0095 <= 0.0133, 0.0201 > 0.0167.
THROMBOLYSIS = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344,
    0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000,
]  # fmt: skip


def from_p(p):
    """A comparison whose deciding p value is `p`: difference over its error at 10 df."""
    from scipy import stats

    t = float(stats.t.isf(p / 2, 10))
    return Change(
        verdict=Verdict.NOT_SETTLED, count_a=6, count_b=6, difference=t, standard_error=1.0,
        df=10.0, df_guarded=10.0, p=p, detectable=0.5, smallest_worth=0.0,
    )  # fmt: skip


def test_false_discovery_rate_on_benjamini_and_hochbergs_example():
    changes = {f"m{i:02d}": from_p(p) for i, p in enumerate(THROMBOLYSIS)}
    assert guarded_p(changes["m03"]) == pytest.approx(0.0095)
    leads = screen_side_effects(changes)
    assert [lead.key for lead in leads if lead.is_lead] == ["m00", "m01", "m02", "m03"]
    assert leads[0].q == pytest.approx(15 * 0.0001)


def test_a_lead_must_also_be_beyond_what_can_be_detected():
    small = from_p(0.0001)
    big = Change(**{**vars(small), "detectable": 100.0})
    assert screen_side_effects({"a": small})[0].is_lead
    assert not screen_side_effects({"a": big})[0].is_lead


def test_what_was_changed_alone_may_be_nothing_among_many():
    rng = np.random.default_rng(0)

    def stage(shift):
        return [Measured(value=shift + v, se=1e-6, systematic=0.0) for v in rng.normal(0, 1, 6)]

    changes = {}
    for i in range(40):
        before = stage(0.0)
        changes[f"m{i}"] = compare(
            before, stage(0.0), smallest_worth=0, direction="", camera_moved=False
        )
    alone = [key for key, c in changes.items() if c.verdict is Verdict.CHANGED]
    screened = {lead.key: lead for lead in screen_side_effects(changes)}
    assert alone  # 40 tests at 5 %: some are 'changed' by luck
    assert not any(lead.is_lead for lead in screened.values())
    assert all(screened[key].change.verdict is Verdict.NOT_SETTLED for key in alone)


def test_too_few_swings_stay_too_few():
    few = Change(verdict=Verdict.TOO_FEW, count_a=2, count_b=2)
    lead = screen_side_effects({"a": few})[0]
    assert lead.q is None
    assert not lead.is_lead
    assert lead_sentence(lead, "tempo", "") == "Tempo: too few swings to say."


def test_the_sentence_calls_it_a_lead():
    lead = screen_side_effects({"a": from_p(0.0001)})[0]
    said = lead_sentence(lead, "shoulder tilt at P4", "deg")
    assert said == (
        "Shoulder tilt at P4 may have moved too, by about 6°: a lead to look at, not a finding."
    )
    nothing = screen_side_effects({"a": from_p(0.5)})[0]
    assert lead_sentence(nothing, "tempo", "") == "Tempo: nothing that stands out."


def test_no_measures_give_no_leads():
    assert screen_side_effects({}) == ()


def test_an_impossible_rate_is_refused():
    with pytest.raises(ValueError, match="between 0 and 1"):
        screen_side_effects({}, rate=0.0)
