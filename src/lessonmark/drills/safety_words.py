"""What keeps a player from harm, in one wording wherever it is said.

A list that gathers cautions from several places drops a sentence that it holds already; that only
works where all of them say it in the same words. Common practice, no source.
"""

from __future__ import annotations

from lessonmark.language import say

__all__ = ["keep_clear", "soft_only", "stop_when_it_hurts", "warm_up_first"]


def keep_clear() -> str:
    """Say how far others keep away."""
    return say("Nobody stands within two club lengths, and nobody walks behind you.")


def soft_only() -> str:
    """Say what an obstacle is made of."""
    return say("Use soft obstacles only: foam or a towel, never wood, metal or a second club.")


def stop_when_it_hurts() -> str:
    """Say when to stop, and whose word comes first."""
    return say("Stop when something hurts. What a doctor or physiotherapist says comes first.")


def warm_up_first() -> str:
    """Say what comes before the first full swing."""
    return say("Warm up for ten minutes before the first full swing.")
