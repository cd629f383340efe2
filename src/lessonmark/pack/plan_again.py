"""Say a stored plan again in another language, as `said_again` does with findings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from lessonmark.drills.library import Drill
from lessonmark.drills.plan import PracticePlan, Session
from lessonmark.language import SOURCE_LANGUAGE, spoken
from lessonmark.pack.said_again import say_again

__all__ = ["plan_again"]


def plan_again(plan: PracticePlan, library: Sequence[Drill]) -> PracticePlan:
    """Say everything in the plan again; its drills have their words in every language anyway.

    Only what was said in English is: a plan that an earlier version made on a German page stays
    German.

    Parameters
    ----------
    library : where a drill that was left out has its name in the other language.
    """
    if spoken() == SOURCE_LANGUAGE:
        return plan
    names = {drill.name: drill.said().name for drill in library}
    return replace(
        plan,
        sessions=tuple(_session(one, _own_words(plan)) for one in plan.sessions),
        left_out=tuple(say_again(_exchanged(one, names)) for one in plan.left_out),
        warnings=_each(plan.warnings),
        stop_on=_each(plan.stop_on),
        cautions=_each(plan.cautions),
        reasons=_each(plan.reasons),
    )


def _own_words(plan: PracticePlan) -> dict[str, str]:
    """Pair each drill's own words, which no catalogue holds, with those of the language spoken."""
    pairs: dict[str, str] = {}
    for drill in plan.drills:
        said = drill.said()
        for own, other in (
            (drill.name, said.name),
            (drill.cue, said.cue),
            (drill.easier, said.easier),
            (drill.harder, said.harder),
        ):
            pairs[own] = other
    return pairs


def _session(one: Session, own: dict[str, str]) -> Session:
    return replace(
        one,
        blocks=tuple(
            replace(block, words=say_again(_exchanged(block.words, own))) for block in one.blocks
        ),
    )


def _exchanged(words: str, pairs: dict[str, str]) -> str:
    # The longest first: a name may stand within a sentence of the same drill.
    for own in sorted(filter(None, pairs), key=len, reverse=True):
        words = words.replace(own, pairs[own])
    return words


def _each(lines: Iterable[str]) -> tuple[str, ...]:
    return tuple(say_again(line) for line in lines)
