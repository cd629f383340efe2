"""What only the coach can say: the causes, the plan, the words for the pack."""

from __future__ import annotations

from dataclasses import dataclass

from lessonmark.drills.safety_words import name_drills
from lessonmark.lessons.findings import Findings
from lessonmark.pack import wording

__all__ = ["CoachWords", "PlanLine", "all_cautions"]


@dataclass(frozen=True, kw_only=True)
class PlanLine:
    """One line of the practice plan, every part as the player reads it."""

    drill: str  # 'Brush past the noodle'
    dose: str = ""  # '3 sets of 8, half speed, twice a week'
    cue: str = ""  # 'feel the trail side shorten'
    checkpoint: str = ""  # 'side bend at P6 at least 16° in 4 swings of 5'
    cautions: tuple[str, ...] = ()
    cautions_of_its_own: tuple[str, ...] = ()  # those of them that mean no other drill


@dataclass(frozen=True, kw_only=True)
class CoachWords:
    """The coach's part of the pack; every field may stay empty."""

    coach: str = ""
    causes: tuple[str, ...] = ()  # a chain: each leads to the one after it
    plan: tuple[PlanLine, ...] = ()
    cues: tuple[str, ...] = ()  # sentences to take along, of no one drill
    next_step: str = ""  # 'film five swings face-on in three weeks'
    note: str = ""  # anything else, printed as it is

    @property
    def other_cues(self) -> tuple[str, ...]:
        """The cues that do not stand beside a drill of the plan already."""
        beside = {_bare(line.cue) for line in self.plan}
        return tuple(cue for cue in self.cues if _bare(cue) not in beside)


def all_cautions(findings: Findings, words: CoachWords) -> tuple[str, ...]:
    """List the lesson's cautions and those of the plan's drills, each once.

    One that means a single drill of several says which.
    """
    drills = (caution for line in words.plan for caution in line.cautions)
    own = [(wording.capital(line.drill), line.cautions_of_its_own) for line in words.plan]
    return name_drills((*findings.cautions, *drills), own)


def _bare(cue: str) -> str:
    return cue.strip().rstrip(".").casefold()
