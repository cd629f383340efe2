"""What else moved: many measures screened at once, each a lead and never a finding.

Holm over every measure of a swing would find nothing; testing each by itself would find something
in every lesson. The false-discovery rate lies between: of the leads shown, no more than the stated
share is expected to be nothing.

References
----------
Benjamini & Hochberg 1995, J R Stat Soc B 57:289-300.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from statsmodels.stats.multitest import multipletests

from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.compare import guarded_p
from lessonmark.evidence.wording import decimals_for, quantity
from lessonmark.language import say

__all__ = ["FALSE_DISCOVERY_RATE", "Lead", "lead_sentence", "screen_side_effects"]

FALSE_DISCOVERY_RATE = 0.05  # of the leads shown; the verdicts' own level


@dataclass(frozen=True, kw_only=True)
class Lead:
    """A measure outside the focus, after screening."""

    key: str  # str(MeasureAt)
    change: Change  # `p_adjusted` is the false-discovery q value; 'changed' means: a lead
    q: float | None  # None: too few swings to say

    @property
    def is_lead(self) -> bool:
        """Whether it stands out enough to be worth a look."""
        return self.change.verdict is Verdict.CHANGED


def screen_side_effects(
    changes: Mapping[str, Change], *, rate: float = FALSE_DISCOVERY_RATE
) -> tuple[Lead, ...]:
    """Screen the measures outside the focus, the strongest leads first.

    Parameters
    ----------
    changes : comparisons as `compare` gave them, by measure; the focus measures left out.
    rate : share of the leads that may be nothing.

    Raises
    ------
    ValueError : a rate outside 0 to 1.
    """
    if not 0.0 < rate < 1.0:
        raise ValueError(f"a false-discovery rate lies between 0 and 1, got {rate}")
    known = {key: guarded_p(change) for key, change in changes.items() if change.p is not None}
    q_values: dict[str, float] = {}
    if known:
        adjusted = multipletests(list(known.values()), alpha=rate, method="fdr_bh")[1]
        q_values = dict(zip(known, map(float, adjusted), strict=True))
    leads = [_decide(key, change, q_values.get(key), rate) for key, change in changes.items()]
    return tuple(sorted(leads, key=lambda lead: (lead.q is None, lead.q or 0.0, lead.key)))


def lead_sentence(lead: Lead, name: str, unit: str) -> str:
    """Say a side effect as what it is: a lead."""
    title = name[:1].upper() + name[1:]
    change = lead.change
    if change.difference is None:
        return say("{name}: too few swings to say.", name=title)
    size = quantity(abs(change.difference), unit, decimals_for(change.standard_error or 0.0))
    if lead.is_lead:
        return say(
            "{name} may have moved too, by about {size}: a lead to look at, not a finding.",
            name=title,
            size=size,
        )
    return say("{name}: nothing that stands out.", name=title)


def _decide(key: str, change: Change, q: float | None, rate: float) -> Lead:
    if q is None:
        return Lead(key=key, change=change, q=None)
    stands_out = q <= rate and abs(change.difference or 0.0) > (change.detectable or 0.0)
    verdict = Verdict.CHANGED if stands_out else change.verdict
    if not stands_out and verdict is Verdict.CHANGED:
        verdict = Verdict.NOT_SETTLED
    wanted = change.as_wanted if verdict is Verdict.CHANGED else None
    return Lead(
        key=key, q=q, change=replace(change, p_adjusted=q, verdict=verdict, as_wanted=wanted)
    )
