"""A drill's dose and checkpoint as sentences."""

from __future__ import annotations

from lessonmark.drills.library import Checkpoint, Dose
from lessonmark.evidence.wording import quantity
from lessonmark.language import say
from lessonmark.measures.registry import entry

__all__ = ["checkpoint_sentence", "checkpoint_unit", "dose_sentence", "measure_title", "speed_word"]


def speed_word(dose: Dose) -> str:
    """Say the speed of a dose."""
    return {
        "slow": say("slow"),
        "half": say("half speed"),
        "three quarters": say("three-quarter speed"),
        "full": say("full speed"),
    }[dose.speed]


def dose_sentence(dose: Dose) -> str:
    """Say a dose: '3 sets of 8, half speed, 60 s rest between sets'."""
    return say(
        "{sets} sets of {swings}, {speed}, {rest} s rest between sets",
        sets=dose.sets,
        swings=dose.swings,
        speed=speed_word(dose),
        rest=dose.rest_s,
    )


def measure_title(checkpoint: Checkpoint) -> str:
    """Name what a checkpoint looks at: 'side bend at P6'."""
    name = say(entry(checkpoint.at.measure).name)
    position = checkpoint.at.position
    return name if position is None else say("{name} at {at}", name=name, at=position)


def checkpoint_unit(checkpoint: Checkpoint, *, scaled: bool = True) -> str:
    """Name the unit that a checkpoint's value comes in."""
    unit = entry(checkpoint.at.measure).unit
    return "% torso" if unit == "cm" and not scaled else unit


def checkpoint_sentence(checkpoint: Checkpoint) -> str:
    """Say what ends a drill: 'side bend at P6 at least 16° in 4 swings of 5'."""
    value = quantity(
        checkpoint.value, checkpoint_unit(checkpoint), 0 if checkpoint.value % 1 == 0 else 1
    )
    fields = {
        "name": measure_title(checkpoint),
        "value": value,
        "met": checkpoint.met,
        "of": checkpoint.of,
    }
    match checkpoint.comparison:
        case "at least":
            return say("{name} at least {value} in {met} swings of {of}", **fields)
        case "at most":
            return say("{name} at most {value} in {met} swings of {of}", **fields)
        case "more than before":
            return say(
                "{name} {value} more than in your own swings before, in {met} swings of {of}",
                **fields,
            )
        case "less than before":
            return say(
                "{name} {value} less than in your own swings before, in {met} swings of {of}",
                **fields,
            )
