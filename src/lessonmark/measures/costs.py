"""What the camera's place costs each measure of a swing, cause by cause."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from lessonmark.errors import CannotMeasure
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.reading import Reading
from lessonmark.measures.registry import catalogue
from lessonmark.measures.seen import SwingSeen
from lessonmark.measures.systematic import systematic_parts

__all__ = ["CameraCost", "camera_costs"]

CAMERA_CAUSES = ("roll", "off square", "pitch", "perspective", "depth")


@dataclass(frozen=True, kw_only=True)
class CameraCost:
    """One standard error that the camera's place leaves in a reading, after what was taken out."""

    at: MeasureAt
    unit: str
    by_cause: dict[str, float]  # of `CAMERA_CAUSES`, in the unit

    @property
    def worst(self) -> tuple[str, float]:
        """The cause that costs most, and how much."""
        return max(self.by_cause.items(), key=lambda item: item[1])


def camera_costs(swing: SwingSeen, *, only: Collection[str] | None = None) -> list[CameraCost]:
    """Size what the camera's place costs every measure that this swing has, at each position.

    Parameters
    ----------
    swing : the swing with its camera check.
    only : measure ids; None for all of the view's.
    """
    costs = []
    for entry in catalogue():
        if entry.needs_two_views or entry.is_span or swing.view not in entry.views:
            continue
        if only is not None and entry.id not in only:
            continue
        for position in entry.positions_from(swing.view):
            try:
                reading = Reading(swing=swing, entry=entry, position=position)
                value = reading.value()
                parts = systematic_parts(reading, value, dict(reading.read))
            except CannotMeasure:
                continue
            by_cause = {cause: parts[cause] for cause in CAMERA_CAUSES if cause in parts}
            if by_cause:
                at = MeasureAt(measure=entry.id, position=position)
                costs.append(CameraCost(at=at, unit=entry.unit, by_cause=by_cause))
    return costs
