"""Has a checkpoint been met: a player's swings against the bar, with the error of each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from lessonmark.drills.library import Checkpoint
from lessonmark.errors import CannotMeasure
from lessonmark.evidence.stage_mean import stage_mean
from lessonmark.language import say
from lessonmark.measures.measured import Measured

__all__ = ["CheckpointResult", "Met", "SwingMet", "judge_checkpoint"]

FEWEST_BEFORE = 2  # swings before, for a bar that hangs on them
NEAR = 1.96


class Met(StrEnum):
    """What became of a checkpoint."""

    MET = "met"
    NOT_YET = "not yet"
    TOO_FEW = "too few swings"


@dataclass(frozen=True, kw_only=True)
class SwingMet:
    """One swing against the bar."""

    value: Measured
    met: bool  # by its best value
    too_close: bool  # the bar lies inside its 95 % interval


@dataclass(frozen=True, kw_only=True)
class CheckpointResult:
    """A checkpoint judged; values in the measure's unit."""

    outcome: Met
    bar: float  # what had to be reached
    swings: tuple[SwingMet, ...]  # the last ones, as many as the checkpoint asks for

    @property
    def met(self) -> int:
        """Swings that reached the bar."""
        return sum(swing.met for swing in self.swings)

    @property
    def surely(self) -> int:
        """Swings that reached the bar by more than their error."""
        return sum(swing.met and not swing.too_close for swing in self.swings)

    @property
    def too_close(self) -> int:
        """Swings for which the footage does not tell."""
        return sum(swing.too_close for swing in self.swings)

    @property
    def mean(self) -> float:
        """Mean of the swings; raises ZeroDivisionError where there is none."""
        return sum(swing.value.value for swing in self.swings) / len(self.swings)


def judge_checkpoint(
    checkpoint: Checkpoint, values: Sequence[Measured], before: Sequence[Measured] = ()
) -> CheckpointResult:
    """Hold the last swings against the checkpoint.

    Practice is another day and another camera, so that a bar taken from the swings before carries
    both set-ups' systematic errors; an absolute bar the practice's own.

    Parameters
    ----------
    values : the practice swings that could be measured, in their order.
    before : the player's own swings before, for a checkpoint against these.

    Raises
    ------
    CannotMeasure : the checkpoint hangs on swings before, and there are fewer than two.
    """
    bar, bar_se = checkpoint.value, 0.0
    up = checkpoint.comparison in ("at least", "more than before")
    if checkpoint.is_relative:
        if len(before) < FEWEST_BEFORE:
            raise CannotMeasure(
                say("the checkpoint is held against your swings before, and there are too few"),
                do=say("keep the lesson's swings before beside the practice"),
            )
        mean = stage_mean(before)
        bar = mean.mean + (checkpoint.value if up else -checkpoint.value)
        bar_se = math.hypot(mean.standard_error, mean.camera)
    swings = tuple(
        SwingMet(
            value=value,
            met=value.value >= bar if up else value.value <= bar,
            too_close=abs(value.value - bar) < NEAR * math.hypot(value.total_se, bar_se),
        )
        for value in values[-checkpoint.of :]
    )
    met = sum(swing.met for swing in swings)
    if met >= checkpoint.met:
        outcome = Met.MET
    elif met + checkpoint.of - len(swings) >= checkpoint.met:
        outcome = Met.TOO_FEW  # the swings that are missing could still decide it
    else:
        outcome = Met.NOT_YET
    return CheckpointResult(outcome=outcome, bar=bar, swings=swings)
