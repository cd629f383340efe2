"""What moves with what, ready for a page: the graph, and every pair in a sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from lessonmark.evidence.link_wording import association_sentence
from lessonmark.evidence.links import Association
from lessonmark.language import say, say_n
from lessonmark.lessons.together import link_names
from lessonmark.pack.links_chart import MOST_SHOWN, links_chart

__all__ = ["LinksShown", "show_links"]


@dataclass(frozen=True, kw_only=True)
class LinksShown:
    """A lesson's graph."""

    summary: str  # how many pairs were looked at, and how many stand out
    chart: Markup  # empty where nothing stands out
    sentences: tuple[str, ...]  # those that stand out
    others: tuple[str, ...]  # those that do not, and those that cannot be told


def show_links(links: Sequence[Association]) -> LinksShown | None:
    """Write a lesson's graph out; None where no pair was looked at."""
    if not links:
        return None
    names = link_names(links)
    out = [link for link in links if link.shown]
    rest = [link for link in links if not link.shown]
    looked = sum(link.r is not None for link in links)
    if not looked:
        summary = say("Too few swings to tell what moves with what.")
    elif not out:
        summary = say_n(
            "{n} pair was looked at: none stands out from swing to swing.",
            "{n} pairs were looked at: none stands out from swing to swing.",
            looked,
        )
    else:
        summary = say_n(
            "{n} pair was looked at, {out} stands out from swing to swing.",
            "{n} pairs were looked at, {out} stand out from swing to swing.",
            looked,
            out=len(out),
        )
    return LinksShown(
        summary=summary,
        chart=Markup(links_chart(out[:MOST_SHOWN], names)),
        sentences=tuple(_named(link, names) for link in out),
        others=tuple(_named(link, names) for link in rest),
    )


def _named(link: Association, names: dict[str, str]) -> str:
    sentence = association_sentence(link, names)
    for key, name in names.items():
        sentence = sentence.replace(key, name)  # a reason may name the measure by its key
    return sentence
