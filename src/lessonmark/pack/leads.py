"""What else moved, view by view: the strongest few in sight, the rest folded and never dropped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lessonmark.lessons.findings import SideEffect
from lessonmark.words import View

__all__ = ["IN_SIGHT", "LeadGroup", "group_leads"]

IN_SIGHT = 3  # leads of a view that are read before the eye gives up; common practice, no source


@dataclass(frozen=True, kw_only=True)
class LeadGroup:
    """The leads of one view, the strongest first."""

    view: View
    first: tuple[SideEffect, ...]
    rest: tuple[SideEffect, ...]


def group_leads(leads: Sequence[SideEffect]) -> tuple[LeadGroup, ...]:
    """Part the leads by view, in the order of their strength; a view without one is left out."""
    groups = []
    for view in View:
        mine = tuple(one for one in leads if one.view is view)
        if mine:
            groups.append(LeadGroup(view=view, first=mine[:IN_SIGHT], rest=mine[IN_SIGHT:]))
    return tuple(groups)
