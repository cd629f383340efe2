"""What is changed in a measure's inputs, by a known amount, to carry their errors through it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from lessonmark.measures.posture import Vector
from lessonmark.words import Position

__all__ = ["NOTHING", "SHAFT", "CameraMoved", "Disturbance", "Key"]

SHAFT = "shaft"


class Key(NamedTuple):
    """One point at one instant."""

    name: str
    instant: str  # 'now', 'start', 'now+0.010', or '' for a whole path


class CameraMoved(NamedTuple):
    """What is changed in the camera and the scale, the same for every point; nothing by default."""

    roll_deg: float = 0.0
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    distance_share: float = 0.0
    scale_share: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Disturbance:
    """What is changed in the inputs for one evaluation; nothing by default."""

    points: Mapping[Key, Vector] = field(default_factory=dict)  # px (shaft: rad in element 0)
    named: Mapping[str, Vector] = field(default_factory=dict)  # px, at every instant
    drifts: Mapping[str, Vector] = field(default_factory=dict)  # px, from - to + over the swing
    times: Mapping[Position, float] = field(default_factory=dict)  # s
    waves: Mapping[str, npt.NDArray[np.float64]] = field(default_factory=dict)  # in sd, at knots
    knots: npt.NDArray[np.float64] | None = None  # s
    roll_deg: float = 0.0
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    depths: Mapping[Key, float] = field(default_factory=dict)  # share of stature nearer
    distance_share: float = 0.0  # of the camera's distance, farther
    scale_share: float = 0.0

    @cached_property
    def camera(self) -> CameraMoved:
        """The part that is the same for every point."""
        return CameraMoved(
            self.roll_deg, self.yaw_deg, self.pitch_deg, self.distance_share, self.scale_share
        )

    def times_share(self, share: float) -> Disturbance:
        """Give a share of all that is changed."""
        if share == 1.0:
            return self
        return Disturbance(
            points={key: share * step for key, step in self.points.items()},
            named={name: share * step for name, step in self.named.items()},
            drifts={name: share * step for name, step in self.drifts.items()},
            times={position: share * late for position, late in self.times.items()},
            waves={name: share * wave for name, wave in self.waves.items()},
            knots=self.knots,
            depths={key: share * depth for key, depth in self.depths.items()},
            roll_deg=share * self.roll_deg,
            yaw_deg=share * self.yaw_deg,
            pitch_deg=share * self.pitch_deg,
            distance_share=share * self.distance_share,
            scale_share=share * self.scale_share,
        )

    def leaves(self, key: Key) -> bool:
        """Whether a point stays where the track has it at that time, in the picture and in depth.

        What is done to the camera moves it all the same.
        """
        return (
            key not in self.points
            and key not in self.depths
            and key.name not in self.named
            and key.name not in self.drifts
            and key.name not in self.waves
        )


NOTHING = Disturbance()
