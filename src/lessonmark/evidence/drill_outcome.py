"""From a lesson's verdicts to a drill's result, and from many results to a sentence."""

from __future__ import annotations

from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.drill_effect import DrillEffect, DrillResult, HowOften
from lessonmark.evidence.lasting import Lasted, Retention
from lessonmark.language import say, say_n, say_number

__all__ = ["drill_result", "drill_sentence", "often_words"]


def drill_result(
    change: Change,
    retention: Retention | None,
    *,
    player: str,
    drill: str,
    measure: str,
) -> DrillResult:
    """Read off what a drill did in one lesson.

    Parameters
    ----------
    change : the lesson's comparison of a focus measure, its verdict decided.
    retention : a later retest of it; None where there was none.
    player, drill, measure : ids.

    Returns
    -------
    DrillResult : `moved` is None where the lesson did not settle it; where the coach set no
        direction, any change counts as the one that was meant, and its size has no sign.
    """
    moved: bool | None = None
    if change.verdict is Verdict.CHANGED:
        moved = change.as_wanted is not False
    elif change.verdict is Verdict.NOT_CHANGED:
        moved = False
    lasted: bool | None = None
    if retention is not None and retention.verdict in (Lasted.LASTED, Lasted.FADED):
        lasted = retention.verdict is Lasted.LASTED
    size: float | None = None
    if change.difference is not None and change.smallest_worth:
        sign = {"more": 1.0, "less": -1.0}.get(change.direction)
        size = change.difference / change.smallest_worth
        size = abs(size) if sign is None else sign * size
    return DrillResult(
        player=player, drill=drill, measure=measure, moved=moved, lasted=lasted, size=size
    )


def drill_sentence(effect: DrillEffect, drill: str, measure: str) -> str:
    """Say how a drill does over the coach's players.

    Parameters
    ----------
    drill, measure : plain names.
    """
    title = drill[:1].upper() + drill[1:]
    if effect.moved is None:
        refused = say("{drill}, {measure}: {reason}.", drill=title, measure=measure,
                      reason=effect.reason)  # fmt: skip
        return " ".join(part for part in (refused, _unsettled(effect)) if part)
    parts = [
        say(
            "{drill} moved {measure} as meant in about {often}.",
            drill=title,
            measure=measure,
            often=often_words(effect.moved),
        )
    ]
    if effect.lasted is not None:
        parts.append(
            say("Where it did, it lasted in about {often}.", often=often_words(effect.lasted))
        )
    return " ".join(part for part in (*parts, _unsettled(effect)) if part)


def _unsettled(effect: DrillEffect) -> str:
    if not effect.unsettled:
        return ""
    return say_n(
        "{n} more lesson did not settle it.",
        "{n} more lessons did not settle it.",
        effect.unsettled,
    )


def often_words(found: HowOften) -> str:
    """Say a share of players with its interval, in players of ten."""
    return say(
        "{share} of 10 players (95 % interval {low} to {high}; {players})",
        share=say_number(10 * found.share),
        low=say_number(10 * found.low),
        high=say_number(10 * found.high),
        players=say_n("{n} player so far", "{n} players so far", found.players),
    )
