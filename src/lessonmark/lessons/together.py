"""Which of a lesson's measures go together from swing to swing: a small graph, never a cause."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lessonmark.evidence.coupling import coupled_pairs
from lessonmark.evidence.links import Association, what_moves_together
from lessonmark.lessons.chain import values_by_swing
from lessonmark.lessons.findings import ClipFinding, FocusFinding, SideEffect
from lessonmark.lessons.judging import measure_title
from lessonmark.lessons.lesson_file import ChainEntry
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.registry import entry as catalogue_entry
from lessonmark.words import View

__all__ = ["find_links", "link_names"]

LEADS_A_VIEW = 2  # of the strongest: what else moved may hang on the focus
MOST_MEASURES = 10  # a graph that is taken in at a glance; common practice, no source


def find_links(
    focus: Sequence[FocusFinding],
    chain: Sequence[ChainEntry],
    leads: Sequence[SideEffect],
    clips: Sequence[ClipFinding],
    same_swing: Mapping[str, str],
) -> tuple[Association, ...]:
    """Correlate the focus measures, the chain's and the strongest leads with each other.

    The choice is made before any correlation is looked at, and the false-discovery rate counts
    every pair of it.

    Parameters
    ----------
    leads : the strongest first.
    same_swing : by clip, the word that gives both views of a swing.
    """
    keys = dict.fromkeys([str(one.at) for one in focus] + [step.measure for step in chain])
    for view in View:
        of_view = [str(one.at) for one in leads if one.view is view]
        keys |= dict.fromkeys(of_view[:LEADS_A_VIEW])
    chosen = list(keys)[:MOST_MEASURES]
    if len(chosen) < 2:
        return ()
    swings = values_by_swing(clips, same_swing)
    return what_moves_together(swings, chosen, coupled=coupled_pairs(chosen))


def link_names(links: Sequence[Association]) -> dict[str, str]:
    """Name the measures of a graph in the language now spoken, by key."""
    names = {}
    for key in {key for link in links for key in (link.first, link.second)}:
        at = MeasureAt.parse(key)
        names[key] = measure_title(catalogue_entry(at.measure), at)
    return names
