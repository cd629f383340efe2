"""The sentences, at three depths."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.wording import decimals_for, quantity, verdict_sentence, verdict_word

CHANGED = Change(
    verdict=Verdict.CHANGED,
    count_a=5,
    count_b=6,
    difference=8.34,
    low=5.12,
    high=11.56,
    p=0.0004,
    p_adjusted=0.0031,
    scatter_a=2.31,
    scatter_b=1.87,
    detectable=2.52,
    smallest_worth=5.0,
    mean_a=12.04,
    mean_b=20.38,
    direction="more",
    as_wanted=True,
    standard_error=1.29,
    df=8.2,
    df_guarded=5.7,
    p_not_changed=0.97,
    p_not_changed_adjusted=0.96,
    camera_part=0.0,
    focus_count=3,
)
UNSETTLED = replace(
    CHANGED, verdict=Verdict.NOT_SETTLED, as_wanted=None, difference=1.2, low=-2.0, high=4.4,
    more_swings=4, more_after=9,
)  # fmt: skip
BETTER_OR_WORSE = re.compile(
    r"\b(better|worse|improve\w*|more of|less of|wanted|direction|against|away|increase\w*|"
    r"decrease\w*|higher|lower|up|down)\b"
)


@pytest.mark.parametrize(
    ("error", "decimals"),
    [(23.0, 0), (2.3, 0), (1.29, 0), (0.94, 1), (0.23, 1), (0.12, 2), (0.019, 3), (0.0, 3)],
)
def test_numbers_carry_the_decimals_their_error_allows(error, decimals):
    assert decimals_for(error) == decimals


def test_a_coach_can_take_one_mean_from_the_other():
    """132.2 and 121.5 rounded are 132 and 122: the difference would look wrong by one."""
    change = replace(
        CHANGED, mean_a=132.2, mean_b=121.5, difference=-10.7, low=-14.3, high=-7.0,
        direction="less",
    )  # fmt: skip
    said = verdict_sentence(change, "wrist angle at P6", "deg", "coach")
    assert "From 132.2° to 121.5°, a difference of −11° (95 % interval −14° to −7°)." in said
    plain = verdict_sentence(CHANGED, "side bend at P6", "deg", "coach")
    assert "From 12° to 20°, a difference of +8°" in plain


@pytest.mark.parametrize(
    ("unit", "text"),
    [
        ("deg", "−8.3°"),
        ("cm", "−8.3 cm"),
        ("% torso", "−8.3 % of torso length"),
        ("deg/s", "−8.3°/s"),
        ("", "−8.3"),
    ],
)
def test_units_are_written_as_people_write_them(unit, text):
    assert quantity(-8.34, unit, 1) == text


def test_player_reads_what_it_means():
    assert verdict_sentence(CHANGED, "side bend at P6", "deg") == (
        "Side bend at P6 has changed the way you and your coach wanted, by about 8°."
    )
    against = replace(CHANGED, as_wanted=False, direction="less")
    assert verdict_sentence(against, "side bend at P6", "deg") == (
        "Side bend at P6 has changed by about 8°, but away from what you wanted."
    )


def test_coach_reads_the_numbers():
    assert verdict_sentence(CHANGED, "side bend at P6", "deg", "coach") == (
        "Side bend at P6: changed. From 12° to 20°, a difference of +8° (95 % interval +5° to "
        "+12°). That is the direction you set."
    )


def test_analyst_reads_the_tests():
    assert verdict_sentence(CHANGED, "side bend at P6", "deg", "analyst") == (
        "Side bend at P6: changed. Difference +8.3°, standard error 1.3°, Welch 95 % interval "
        "+5.1° to +11.6° (df 8.2), p below 0.001; with Holm for 3 focus measures: p 0.003 (df "
        "5.7); scatter 2.3° (n 5) and 1.9° (n 6); detectable from 2.5°. Two one-sided tests "
        "against ±5°: p 0.970, adjusted 0.960."
    )


def test_not_changed_names_the_smallest_change_worth_having():
    same = replace(CHANGED, verdict=Verdict.NOT_CHANGED, as_wanted=None, smallest_worth=2.5)
    assert verdict_sentence(same, "tempo", "cm") == (
        "Tempo has not changed: if it moved at all, then by less than 2.5 cm, the smallest change "
        "worth having."
    )
    assert "inside ±2.5 cm" in verdict_sentence(same, "tempo", "cm", "coach")


def test_not_settled_says_how_many_more_swings():
    assert verdict_sentence(UNSETTLED, "tempo", "").endswith(
        "About 9 more swings in the later stage would settle it."
    )
    both = replace(UNSETTLED, more_after=None, more_swings=1)
    assert verdict_sentence(both, "tempo", "").endswith(
        "About 1 more swing in each stage would settle it."
    )
    never = replace(both, more_swings=None)
    assert verdict_sentence(never, "tempo", "").endswith(
        "More swings alone would hardly settle it."
    )


def test_an_interval_without_zero_that_is_not_settled_says_why():
    clear = replace(UNSETTLED, difference=4.0, low=0.5, high=7.5)
    assert "all focus measures looked at together" in verdict_sentence(clear, "x", "deg", "coach")
    small = replace(clear, detectable=5.0)
    assert "no larger than what this measurement can detect" in verdict_sentence(
        small, "x", "deg", "coach"
    )


def test_a_moved_camera_is_named_as_what_blurs():
    moved = replace(UNSETTLED, camera_part=1.2)
    assert "camera was moved" in verdict_sentence(moved, "x", "deg")
    assert "differ too much among themselves" in verdict_sentence(UNSETTLED, "x", "deg")
    assert "1.2° of the error is for that" in verdict_sentence(moved, "x", "deg", "analyst")


def test_too_few_swings_counts_them():
    few = Change(verdict=Verdict.TOO_FEW, count_a=2, count_b=5)
    assert verdict_sentence(few, "tempo", "") == (
        "Tempo: too few swings to say, 2 and 5; it takes at least 3 in each stage."
    )
    # Villarrasa-Sapina et al. 2022, Sensors 22:9069.
    assert verdict_sentence(few, "tempo", "", "coach").endswith(
        "Published work asks for 7 swings with a driver and 10 with an iron."
    )


def test_a_real_but_slight_change_is_called_so():
    slight = replace(CHANGED, difference=2.0, low=1.5, high=2.5, standard_error=0.23)
    assert "less than 5°, the smallest change worth having" in verdict_sentence(slight, "x", "deg")


def test_a_wild_swing_set_aside_is_named():
    wild = replace(CHANGED, wild_b=(3,))
    assert "1 wild swing was set aside" in verdict_sentence(wild, "x", "deg", "coach")


@pytest.mark.parametrize("depth", ["player", "coach", "analyst"])
@pytest.mark.parametrize("verdict", list(Verdict))
def test_direction_words_appear_only_where_the_coach_set_one(verdict, depth):
    plain = replace(
        CHANGED, verdict=verdict, direction="", as_wanted=None, more_swings=3, smallest_worth=5.0
    )
    said = verdict_sentence(plain, "side bend", "deg", depth)
    assert not BETTER_OR_WORSE.search(said.replace("tests against", ""))


@pytest.mark.parametrize("verdict", list(Verdict))
def test_each_verdict_is_said_in_the_words_of_the_design(verdict):
    assert verdict_word(verdict) == verdict.value


@pytest.mark.parametrize("depth", ["player", "coach", "analyst"])
def test_no_sentence_shows_a_hollow_number(depth):
    for change in (CHANGED, UNSETTLED, replace(CHANGED, verdict=Verdict.NOT_CHANGED)):
        said = verdict_sentence(change, "side bend", "deg", depth)
        assert not re.search(r"nan|None|inf|\{|\}", said)


def test_an_unknown_depth_is_refused():
    with pytest.raises(ValueError, match="depth"):
        verdict_sentence(CHANGED, "x", "deg", "parent")
