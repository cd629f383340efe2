"""A golfer at one instant, in the axes that measures are defined in.

Face-on shows (along, up), down-the-line (out, up) (DESIGN.md, section 4): camera roll removed,
a left-hander mirrored, in centimetres, or in hundredths of the torso's length at address where
there is no scale. Measures are pure functions of a `Posture`; who reads it decides where the
points come from, so that the same functions serve footage, simulation and truth.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.words import View

__all__ = ["Posture", "Vector", "sides_of"]

Vector = npt.NDArray[np.float64]  # shape (2,)

# The pair whose middle a `mid_` point is. Taken here and not from a track, so that the middle's
# error keeps its correlation with the two sides (GUM, JCGM 100:2008, eq. 13).
_SIDES = ("lead", "trail")


def sides_of(name: str) -> tuple[str, ...]:
    """Name the points that one is the middle of; a point that is none, itself."""
    if name.startswith("mid_"):
        return tuple(f"{side}_{name[4:]}" for side in _SIDES)
    return (name,)


@dataclass(frozen=True, kw_only=True)
class Posture:
    """The golfer at one instant.

    `posture["lead_shoulder"]` is a vector (2,); `mid_shoulder`, `mid_hip`, `mid_ear` and the
    like are the middle of both sides. `BALL` is where the ball lay at address.
    """

    view: View
    look: Callable[[str], Vector]  # raises CannotMeasure where the point is hidden
    shaft_look: Callable[[], float] | None = None  # rad, direction grip to head, 0 along, + up
    start_look: Callable[[], Posture] | None = None
    shifted: Callable[[float], Posture] | None = None  # the same swing `s` seconds later

    @classmethod
    def of(
        cls,
        points: Mapping[str, tuple[float, float] | Vector],
        *,
        view: View = View.FACE_ON,
        shaft_deg: float | None = None,
        start: Posture | None = None,
    ) -> Posture:
        """Build a posture from plain points (tests, simulation, truth)."""

        def look(name: str) -> Vector:
            if name not in points:
                raise CannotMeasure(say("{point} is not seen", point=name))
            return np.asarray(points[name], dtype=float)

        return cls(
            view=view,
            look=look,
            shaft_look=None if shaft_deg is None else lambda: float(np.radians(shaft_deg)),
            start_look=None if start is None else lambda: start,
        )

    def __getitem__(self, name: str) -> Vector:
        if name.startswith("mid_"):
            lead, trail = (self.look(side) for side in sides_of(name))
            return (lead + trail) / 2
        return self.look(name)

    @property
    def shaft(self) -> Vector:
        """Unit vector along the shaft, grip to head."""
        if self.shaft_look is None:
            raise CannotMeasure(
                say("the club was not found"),
                do=say("film against a plain background, in good light, with the whole club in"),
            )
        angle = self.shaft_look()
        return np.array([np.cos(angle), np.sin(angle)])

    @property
    def start(self) -> Posture:
        """The same golfer at address (P1)."""
        if self.start_look is None:
            raise CannotMeasure(
                say("address (P1) was not found"),
                do=say("start the clip two seconds before the swing"),
            )
        return self.start_look()

    def later(self, s: float) -> Posture:
        """The same golfer `s` seconds later (earlier where negative)."""
        if self.shifted is None:
            raise CannotMeasure(say("there is only one picture of this swing"))
        return self.shifted(s)
