"""One swing as one camera saw it: what measures are taken from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import xarray as xr

from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.facing import Facing
from lessonmark.measures.paths import Paths
from lessonmark.measures.placing import Placing
from lessonmark.measures.scale_value import Scale
from lessonmark.positions.times import SwingPositions
from lessonmark.words import Handedness, View

__all__ = ["FOCAL_SHARE", "BallSeen", "SwingSeen", "usual_toward"]

# A phone's main camera while filming: focal length over the picture's long side. 26 mm of a 36 mm
# frame, cropped a little by stabilising; common practice, no source.
FOCAL_SHARE = 0.74
# What a landmark wanders from swing to swing beyond the spread that the network itself states:
# repeated swings of rendered golfers (bench/README.md, measures), share of the torso's length.
NETWORK_SCATTER = 0.012


@dataclass(frozen=True, kw_only=True)
class BallSeen:
    """Where the ball lay at address, image px."""

    x: float
    y: float
    se_px: float  # of each coordinate, > 0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.x) and math.isfinite(self.y) and self.se_px > 0):
            raise ValueError(f"a ball needs a finite place and an error above 0, got {self}")


@dataclass(frozen=True, kw_only=True)
class SwingSeen:
    """A swing's track and positions, with what is known of the camera and the scale."""

    track: xr.Dataset  # tracks/schema.py, keypoints named by lead and trail
    positions: SwingPositions
    view: View
    handedness: Handedness
    toward: int  # +1: target (face-on) or ball (down-the-line) to the image's right, -1: left
    width: int  # px, of the frame
    height: int  # px
    fps: float  # as filmed
    scale: Scale | None = None  # None: lengths in % of the torso at address
    ball: BallSeen | None = None  # None: not found
    camera: CameraCheck | None = None  # None: not checked, wide errors are assumed
    obstacle: tuple[tuple[float, float], ...] | None = None  # corners, px; None: not marked
    stature_cm: float | None = None  # None: not declared
    scatter: float | None = None  # share of the torso; None: by what the track is

    def __post_init__(self) -> None:
        if self.toward not in (-1, 1):
            raise ValueError(f"toward is +1 or -1, got {self.toward}")
        if not self.fps > 0:
            raise ValueError(f"frames a second are above 0, got {self.fps}")

    @property
    def network_scatter(self) -> float:
        """What a landmark wanders beyond its stated error, share of the torso."""
        if self.scatter is not None:
            return self.scatter
        # A track that was brought to joint centres states it in its own covariance.
        return 0.0 if "position_systematic" in self.track else NETWORK_SCATTER

    @cached_property
    def paths(self) -> Paths:
        """The track as plain arrays, ready to be read between frames."""
        return Paths.of(self.track)

    @cached_property
    def facing(self) -> Facing | None:
        """The way the body faces, for two cameras; None where the track does not say."""
        return Facing.of(self.track, self.view)

    @cached_property
    def placing(self) -> Placing:
        """The way from this swing's pixels to the measures' axes; may refuse, as a measure does."""
        return Placing(self)

    @property
    def focal_px(self) -> float:
        """The focal length that is taken for the camera's, px."""
        return FOCAL_SHARE * max(self.width, self.height)

    def phase(self, s: float) -> float:
        """Say where in the swing a time is: 0 at P1 to 9 at P10, between positions in between."""
        found = self.positions.found
        known = sorted((at.time.s, position.number - 1.0) for position, at in found.items())
        if not known:
            return 0.0
        times, phases = zip(*known, strict=True)
        return float(np.interp(s, times, phases))

    @property
    def centre(self) -> npt.NDArray[np.float64]:
        """The middle of the frame, px (2,): where the camera's axis is taken to be."""
        return np.array([self.width / 2, self.height / 2])


def usual_toward(handedness: Handedness, *, mirrored: bool = False) -> int:
    """Say which way the target (face-on) or the ball (down-the-line) lies in the image.

    A camera that faces a right-hander has the target on its right; one that stands behind a
    right-hander's hands has the ball on its right. A left-hander is the mirror image, and so is a
    selfie-mirrored clip.
    """
    toward = 1 if handedness is Handedness.RIGHT else -1
    return -toward if mirrored else toward
