"""A verdict said again for the coach and for whoever checks the tests; the player's stands above.

Said anew from the numbers, so that it is in the language now spoken.
"""

from __future__ import annotations

from lessonmark.evidence.wording import verdict_sentence
from lessonmark.lessons.findings import FocusFinding
from lessonmark.pack import wording

__all__ = ["verdict_depths"]


def verdict_depths(one: FocusFinding) -> tuple[str, ...]:
    """Say a focus measure's verdict at the coach's and at the analyst's depth; once if alike."""
    place = one.at.position.value if one.at.position else ""
    title = one.name if place and place in one.name else wording.measure_title(one.name, one.at)
    coach = verdict_sentence(one.change, title, one.unit, "coach")
    analyst = verdict_sentence(one.change, title, one.unit, "analyst")
    return (coach,) if coach == analyst else (coach, analyst)
