"""What the coach's own words in a pack say beyond the evidence, for the page."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lessonmark.lessons.findings import Findings
from lessonmark.lessons.record import PackOrder, Passage
from lessonmark.pack.claims import Doubt, doubts
from lessonmark.pack.coach_words import CoachWords

__all__ = ["ClaimRows", "claim_rows"]


@dataclass(frozen=True, kw_only=True)
class ClaimRows:
    """Doubts by where the words stand; they are told, and nothing is held back."""

    points: tuple[Doubt, ...] = ()
    message: tuple[Doubt, ...] = ()
    captions: tuple[Doubt, ...] = ()
    looked: bool = False  # whether there was anything of the coach's own to look at

    @property
    def count(self) -> int:
        """How many sentences there are."""
        return len(self.points) + len(self.message) + len(self.captions)


def claim_rows(
    findings: Findings,
    order: PackOrder,
    passages: Iterable[Passage],
    *,
    drafts: tuple[str, str],
    words: CoachWords,
) -> ClaimRows:
    """Hold talking points, message and captions against the findings.

    Parameters
    ----------
    drafts : of the talking points and the message, in the order's language.
    words : what the coach wrote into the lesson.
    """
    own = (
        *words.causes,
        *words.cues,
        words.next_step,
        *(f"{one.drill}. {one.dose}. {one.cue}. {one.checkpoint}" for one in words.plan),
    )
    captions = [row.caption for row in passages if row.caption]

    def look(text: str, draft: str) -> tuple[Doubt, ...]:
        return doubts(text, findings, language=order.language, draft=draft, own=own)

    return ClaimRows(
        points=look(order.talking_points, drafts[0]),
        message=look(order.message, drafts[1]),
        captions=look("\n".join(captions), drafts[0]),
        looked=bool(order.talking_points or order.message or captions),
    )
