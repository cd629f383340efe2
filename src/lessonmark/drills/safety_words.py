"""What keeps a player from harm, in one wording wherever it is said.

A list that gathers cautions from several places drops a sentence that it holds already; that only
works where all of them say it in the same words. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from lessonmark.language import say

__all__ = ["keep_clear", "name_drills", "soft_only", "stop_when_it_hurts", "warm_up_first"]


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


def name_drills(
    cautions: Iterable[str], own: Sequence[tuple[str, Iterable[str]]]
) -> tuple[str, ...]:
    """Put each caution once into one list for all drills, and say which drill it means.

    Parameters
    ----------
    cautions : sentences, those of the drills among them.
    own : of every drill its name, and the cautions that mean it alone. Where there is one drill
        only, nobody asks which.
    """
    if len(own) < 2:
        return tuple(dict.fromkeys(cautions))
    of: dict[str, list[str]] = {}
    for name, sentences in own:
        for sentence in sentences:
            of.setdefault(sentence, []).append(name)
    return tuple(
        f"{', '.join(of[one])}: {one}" if one in of else one for one in dict.fromkeys(cautions)
    )
