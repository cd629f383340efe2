"""Say what moves with what. Association only: no sentence here names a cause."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lessonmark.evidence.links import Association, ChainLink, LinkVerdict
from lessonmark.language import say, say_n, say_number

__all__ = ["association_sentence", "chain_sentences", "link_sentence", "link_verdict_word"]


def link_verdict_word(verdict: LinkVerdict) -> str:
    """Say the verdict itself."""
    match verdict:
        case LinkVerdict.SUPPORTED:
            return say("these swings support it")
        case LinkVerdict.CONTRADICTED:
            return say("these swings contradict it")
        case LinkVerdict.CANNOT_SPEAK:
            return say("these swings cannot speak to it")


def link_sentence(link: ChainLink, names: Mapping[str, str]) -> str:
    """Say one arrow of the coach's chain.

    Parameters
    ----------
    link : as judged.
    names : plain name by measure key; a key that is missing stands for itself.
    """
    start, end = (names.get(step.key, step.key) for step in (link.start, link.end))
    return say(
        "{start} and {end}: {verdict}; {reason}{numbers}.",
        start=start[:1].upper() + start[1:],
        end=end,
        verdict=link_verdict_word(link.verdict),
        reason=link.reason,
        numbers=_numbers(link.association),
    )


def chain_sentences(links: Sequence[ChainLink], names: Mapping[str, str]) -> tuple[str, ...]:
    """Say the chain arrow by arrow, and what such a finding is not."""
    return (
        *(link_sentence(link, names) for link in links),
        say("What goes together from swing to swing need not be cause and effect."),
    )


def association_sentence(link: Association, names: Mapping[str, str]) -> str:
    """Say one edge of the graph."""
    first, second = (names.get(key, key) for key in (link.first, link.second))
    title = first[:1].upper() + first[1:]
    if link.r is None:
        return say(
            "{first} and {second}: {reason}.", first=title, second=second, reason=link.reason
        )
    if not link.shown:
        said = say("nothing that stands out")
    elif link.r > 0:
        said = say("when one is high in a swing, so is the other")
    else:
        said = say("when one is high in a swing, the other is low")
    return say(
        "{first} and {second}: {said}{numbers}.",
        first=title,
        second=second,
        said=said,
        numbers=_numbers(link),
    )


def _numbers(link: Association) -> str:
    if link.r is None or link.low is None or link.high is None:
        return ""
    return say(
        " (correlation {r}, 95 % interval {low} to {high}, {swings})",
        r=say_number(link.r, 1),
        low=say_number(link.low, 1),
        high=say_number(link.high, 1),
        swings=say_n("{n} swing", "{n} swings", link.count),
    )
