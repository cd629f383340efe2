"""Say a verdict in one or two sentences: for the player, the coach, the analyst.

Numbers are rounded to what their error allows: as many decimals as show the standard error with
one figure, two where that figure would be 1 (common practice in reporting; GUM, JCGM 100:2008,
7.2.6, allows at most two). Words for better or worse appear only where the coach set a direction.
"""

from __future__ import annotations

import math
from typing import Literal

from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.compare import FEWEST_SWINGS
from lessonmark.language import say, say_n, say_number

__all__ = ["Depth", "decimals_for", "quantity", "verdict_sentence", "verdict_word"]

Depth = Literal["player", "coach", "analyst"]
_MOST_DECIMALS = 3


def decimals_for(error: float) -> int:
    """Decimals that a number with this standard error is worth: 2.3 -> 0, 0.23 -> 1, 0.12 -> 2."""
    if not error > 0:
        return _MOST_DECIMALS
    exponent = math.floor(math.log10(error))
    leading = round(error / 10.0**exponent, 6)
    extra = 1 if leading < 2.0 and exponent < 0 else 0
    return min(_MOST_DECIMALS, max(0, -exponent + extra))


def quantity(value: float, unit: str, decimals: int) -> str:
    """Write a number with its unit: '8°', '4.2 cm', '0.2'."""
    number = say_number(value, decimals)
    match unit:
        case "deg":
            return say("{number}°", number=number)
        case "deg/s":
            return say("{number}°/s", number=number)
        case "% torso":
            return say("{number} % of torso length", number=number)
        case "":
            return number
        case _:
            return say("{number} {unit}", number=number, unit=unit)


def verdict_word(verdict: Verdict) -> str:
    """Say the verdict itself."""
    match verdict:
        case Verdict.CHANGED:
            return say("changed")
        case Verdict.NOT_CHANGED:
            return say("not changed")
        case Verdict.NOT_SETTLED:
            return say("not settled yet")
        case Verdict.TOO_FEW:
            return say("too few swings")


def verdict_sentence(change: Change, name: str, unit: str, depth: Depth = "player") -> str:
    """Say what became of a measure.

    Parameters
    ----------
    change : the comparison, its verdict decided.
    name : the measure's plain name, as in the catalogue ('side bend at P6').
    unit : 'deg', 'cm', '% torso', 'ms', 'deg/s', 'm/s' or ''.
    depth : 'player' says what it means, 'coach' adds the numbers, 'analyst' the tests.

    Raises
    ------
    ValueError : an unknown depth.
    """
    if depth not in ("player", "coach", "analyst"):
        raise ValueError(f"a depth is 'player', 'coach' or 'analyst', got {depth!r}")
    title = name[:1].upper() + name[1:]
    if change.verdict is Verdict.TOO_FEW or change.difference is None:
        few = say(
            "{name}: too few swings to say, {a} and {b}; it takes at least {least} in each stage.",
            name=title,
            a=change.count_a,
            b=change.count_b,
            least=FEWEST_SWINGS,
        )
        return few if depth == "player" else f"{few} {_film_more()}"
    match depth:
        case "player":
            sentences = _for_player(change, title, unit)
        case "coach":
            sentences = _for_coach(change, title, unit)
        case "analyst":
            sentences = _for_analyst(change, title, unit)
    return " ".join(sentence for sentence in sentences if sentence)


def _for_player(change: Change, title: str, unit: str) -> list[str]:
    half = ((change.high or 0.0) - (change.low or 0.0)) / 2
    decimals = decimals_for(half)  # a player's number needs no more than its interval shows
    size = quantity(abs(change.difference or 0.0), unit, decimals)
    match change.verdict:
        case Verdict.CHANGED:
            if change.as_wanted is None:
                said = say("{name} has changed, by about {size}.", name=title, size=size)
            elif change.as_wanted:
                said = say(
                    "{name} has changed the way you and your coach wanted, by about {size}.",
                    name=title,
                    size=size,
                )
            else:
                said = say(
                    "{name} has changed by about {size}, but away from what you wanted.",
                    name=title,
                    size=size,
                )
            return [said, _small(change, unit)]
        case Verdict.NOT_CHANGED:
            return [
                say(
                    "{name} has not changed: if it moved at all, then by less than {worth}, "
                    "the smallest change worth having.",
                    name=title,
                    worth=_worth(change, unit),
                )
            ]
        case _:
            return [
                say("{name}: not settled yet.", name=title),
                _blur(change),
                _more(change),
            ]


def _for_coach(change: Change, title: str, unit: str) -> list[str]:
    decimals = _decimals(change)
    means = _decimals_of_means(change, decimals)
    numbers = {
        "name": title,
        "verdict": verdict_word(change.verdict),
        "a": quantity(change.mean_a or 0.0, unit, means),
        "b": quantity(change.mean_b or 0.0, unit, means),
        "difference": _signed(change.difference or 0.0, unit, decimals),
        "low": _signed(change.low or 0.0, unit, decimals),
        "high": _signed(change.high or 0.0, unit, decimals),
    }
    first = say(
        "{name}: {verdict}. From {a} to {b}, a difference of {difference} "
        "(95 % interval {low} to {high}).",
        **numbers,
    )
    match change.verdict:
        case Verdict.CHANGED:
            return [first, _direction(change), _small(change, unit), _set_aside(change)]
        case Verdict.NOT_CHANGED:
            within = say(
                "It lies inside ±{worth}, the smallest change worth having.",
                worth=_worth(change, unit),
            )
            return [first, within, _set_aside(change)]
        case _:
            return [first, _why_not(change), _more(change), _set_aside(change)]


def _for_analyst(change: Change, title: str, unit: str) -> list[str]:
    decimals = min(_MOST_DECIMALS, _decimals(change) + 1)
    first = say(
        "{name}: {verdict}. Difference {difference}, standard error {error}, Welch 95 % interval "
        "{low} to {high} (df {df}), p {p}; with Holm for {focus}: p {adjusted} (df "
        "{guarded}); scatter {scatter_a} (n {count_a}) and {scatter_b} (n {count_b}); detectable "
        "from {detectable}.",
        name=title,
        verdict=verdict_word(change.verdict),
        difference=_signed(change.difference or 0.0, unit, decimals),
        error=quantity(change.standard_error or 0.0, unit, decimals),
        low=_signed(change.low or 0.0, unit, decimals),
        high=_signed(change.high or 0.0, unit, decimals),
        df=say_number(change.df or 0.0, 1),
        p=_p(change.p),
        focus=say_n("{n} focus measure", "{n} focus measures", change.focus_count),
        adjusted=_p(change.p_adjusted),
        guarded=say_number(change.df_guarded or 0.0, 1),
        scatter_a=quantity(change.scatter_a or 0.0, unit, decimals),
        scatter_b=quantity(change.scatter_b or 0.0, unit, decimals),
        count_a=change.count_a,
        count_b=change.count_b,
        detectable=quantity(change.detectable or 0.0, unit, decimals),
    )
    inside = ""
    if change.p_not_changed is not None:
        inside = say(
            "Two one-sided tests against ±{worth}: p {p}, adjusted {adjusted}.",
            worth=_worth(change, unit),
            p=_p(change.p_not_changed),
            adjusted=_p(change.p_not_changed_adjusted),
        )
    camera = ""
    if change.camera_part:
        camera = say(
            "The camera moved between the stages: {camera} of the error is for that.",
            camera=quantity(change.camera_part, unit, decimals),
        )
    more = _more(change) if change.verdict is Verdict.NOT_SETTLED else ""
    return [first, inside, camera, more, _set_aside(change)]


def _film_more() -> str:
    # Villarrasa-Sapina et al. 2022, Sensors 22:9069: 7 driver or 10 six-iron swings for reliable
    # club and ball measures of medium to high handicaps.
    return say("Published work asks for 7 swings with a driver and 10 with an iron.")


def _blur(change: Change) -> str:
    camera = change.camera_part or 0.0
    if camera**2 > 0.5 * (change.standard_error or 0.0) ** 2:
        return say("The camera was moved in between, and that blurs the difference too much.")
    return say("Your swings differ too much among themselves to tell.")


def _direction(change: Change) -> str:
    if change.as_wanted is None:
        return ""
    return (
        say("That is the direction you set.")
        if change.as_wanted
        else say("That is against the direction you set.")
    )


def _small(change: Change, unit: str) -> str:
    worth = change.smallest_worth or 0.0
    if worth == 0 or abs(change.difference or 0.0) >= worth:
        return ""
    return say(
        "That is real, but less than {worth}, the smallest change worth having.",
        worth=_worth(change, unit),
    )


def _why_not(change: Change) -> str:
    clear = change.low is not None and change.high is not None and change.low * change.high > 0
    if not clear:
        return ""
    if change.detectable is not None and abs(change.difference or 0.0) <= change.detectable:
        return say("The interval leaves out zero, but the difference is no larger than what this "
                   "measurement can detect.")  # fmt: skip
    return say("The interval alone leaves out zero; with so few swings, and all focus measures "
               "looked at together, that is not enough.")  # fmt: skip


def _more(change: Change) -> str:
    if change.more_after is not None:
        return say_n(
            "About {n} more swing in the later stage would settle it.",
            "About {n} more swings in the later stage would settle it.",
            change.more_after,
        )
    if change.more_swings is not None:
        return say_n(
            "About {n} more swing in each stage would settle it.",
            "About {n} more swings in each stage would settle it.",
            change.more_swings,
        )
    return say("More swings alone would hardly settle it.")


def _set_aside(change: Change) -> str:
    count = len(change.wild_a) + len(change.wild_b)
    if count == 0:
        return ""
    return say_n(
        "{n} wild swing was set aside; look at it, and put it back if it belongs.",
        "{n} wild swings were set aside; look at them, and put them back if they belong.",
        count,
    )


def _decimals(change: Change) -> int:
    return decimals_for(change.standard_error or 0.0)


def _decimals_of_means(change: Change, decimals: int) -> int:
    """One more where the rounded means would seem to differ otherwise than the difference says."""
    a, b = change.mean_a or 0.0, change.mean_b or 0.0
    apart = round(round(b, decimals) - round(a, decimals), decimals)
    return decimals + (apart != round(change.difference or 0.0, decimals))


def _worth(change: Change, unit: str) -> str:
    worth = change.smallest_worth or 0.0
    return quantity(worth, unit, 0 if worth == round(worth) else decimals_for(worth / 10))


def _signed(value: float, unit: str, decimals: int) -> str:
    text = quantity(value, unit, decimals)
    return f"+{text}" if round(value, decimals) > 0 else text


def _p(value: float | None) -> str:
    if value is None:
        return say("not tested")
    return say("below 0.001") if value < 0.001 else say_number(value, 3)
