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
from lessonmark.pack.wording import capital

__all__ = ["LinksShown", "show_links"]


@dataclass(frozen=True, kw_only=True)
class LinksShown:
    """A lesson's graph."""

    summary: str  # how many pairs were looked at, and how many stand out
    chart: Markup  # empty where nothing stands out
    sentences: tuple[str, ...]  # those that stand out
    others: tuple[str, ...]  # those that do not, then why the rest cannot be told


def show_links(links: Sequence[Association]) -> LinksShown | None:
    """Write a lesson's graph out; None where no pair was looked at."""
    if not links:
        return None
    names = link_names(links)
    out = [link for link in links if link.shown]
    rest = [link for link in links if not link.shown]
    looked = sum(link.r is not None for link in links)
    if not looked:
        summary = say("These swings cannot tell what moves with what; the reasons stand below.")
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
        sentences=tuple(association_sentence(link, names) for link in out),
        others=(
            *(association_sentence(link, names) for link in rest if link.r is not None),
            *_reasons([link for link in rest if link.r is None], names),
        ),
    )


def _reasons(refused: Sequence[Association], names: dict[str, str]) -> list[str]:
    """Say each reason once, with how many pairs it is about: a noisy measure spoils all of its."""
    counted: dict[str, int] = {}
    for link in refused:
        counted[link.reason] = counted.get(link.reason, 0) + 1
    lines = []
    for reason, count in counted.items():
        words = reason
        for key, name in names.items():
            words = words.replace(key, name)  # a reason may name the measure by its key
        lines.append(
            say_n("{reason} ({n} pair).", "{reason} ({n} pairs).", count, reason=capital(words))
        )
    return lines
