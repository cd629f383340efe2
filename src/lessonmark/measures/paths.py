"""A track as plain arrays, read at any time between its frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.tracks.schema import CLUB_KEYPOINTS

__all__ = ["HIDDEN_BELOW", "Paths"]

Array = npt.NDArray[np.float64]
# The network calls a joint 'visible' from 0 to 1; under this it is guessing from the rest of the
# body. Common practice, no source: its authors draw from 0.5, a hidden far side still tracks
# usably somewhat below that.
HIDDEN_BELOW = 0.3
MIDDLES = ("mid_hip", "mid_shoulder", "mid_ear")


@dataclass(frozen=True, kw_only=True, eq=False)
class Paths:
    """Keypoint paths: value, error and visibility by name and time."""

    times: Array  # (frame,) s, increasing
    index: dict[str, int]
    position: Array  # (frame, 2, keypoint) px
    velocity: Array | None  # (frame, 2, keypoint) px/s
    covariance: Array  # (frame, 2, 2, keypoint) px^2
    systematic: Array | None  # (frame, 2, 2, keypoint) px^2; what stays with player and set-up
    visibility: Array  # (frame, keypoint) 0 to 1; NaN where the network has no word on it
    shaft: Array | None  # (frame,) rad
    shaft_se: Array | None  # (frame,) rad

    @classmethod
    def of(cls, track: xr.Dataset) -> Paths:
        """Read the arrays out of a track."""
        names = [str(name) for name in track["keypoint"].values]
        position = _ordered(track, "position", ("time", "space", "keypoint"))
        velocity = (
            _ordered(track, "velocity", ("time", "space", "keypoint"))
            if "velocity" in track
            else None
        )
        visibility = (
            _ordered(track, "visibility", ("time", "keypoint"))
            if "visibility" in track
            else np.full((position.shape[0], len(names)), np.nan)
        )
        return cls(
            times=np.asarray(track["time"].values, dtype=float),
            index={name: i for i, name in enumerate(names)},
            position=position,
            velocity=velocity,
            covariance=_ordered(
                track, "position_cov", ("time", "space", "space_other", "keypoint")
            ),
            systematic=(
                _ordered(track, "position_systematic", ("time", "space", "space_other", "keypoint"))
                if "position_systematic" in track
                else None
            ),
            visibility=visibility,
            shaft=_ordered(track, "shaft_angle", ("time",)) if "shaft_angle" in track else None,
            shaft_se=(
                _ordered(track, "shaft_angle_se", ("time",)) if "shaft_angle_se" in track else None
            ),
        )

    def at(self, name: str, s: float) -> tuple[Array, Array]:
        """Read a point's place (2,) px and covariance (2, 2) px^2 at a time.

        Raises
        ------
        CannotMeasure : the point is not in the track, or is hidden then, or the time is outside.
        """
        place, cov, seen = self.guess(name, s)
        if not seen:
            raise _hidden(name)
        return place, cov

    def guess(self, name: str, s: float) -> tuple[Array, Array, bool]:
        """Read a point as `at` does, also where the network only guesses; True where it sees it.

        Raises
        ------
        CannotMeasure : there is nothing to read at all.
        """
        if name not in self.index:
            raise CannotMeasure(say("{point} was not found in this clip", point=plain(name)))
        k = self.index[name]
        i, share = self._between(s)
        here = slice(i, i + 2)
        seen = self.visibility[here, k]
        place = self.position[here, :, k]
        if not np.isfinite(place).all():
            raise _hidden(name)
        # Neighbouring frames of a smoothed track err together, so that a reading between them is
        # no better than they are: their covariances are blended, not averaged down.
        cov = (1 - share) * self.covariance[i, :, :, k] + share * self.covariance[i + 1, :, :, k]
        rates = None if self.velocity is None else self.velocity[here, :, k]
        step = float(self.times[i + 1] - self.times[i])
        return _hermite(place, rates, step, share), cov, not bool((seen < HIDDEN_BELOW).any())

    def unseen_s(self, name: str, s: float) -> float:
        """Say for how long a point is out of sight around a time, s; 0 where it is seen.

        From the last frame before that shows it to the first after; endless where there is none.

        Raises
        ------
        CannotMeasure : there is nothing to read at all.
        """
        if self.guess(name, s)[2]:
            return 0.0
        i, _ = self._between(s)
        shown = np.nonzero(~(self.visibility[:, self.index[name]] < HIDDEN_BELOW))[0]
        before, after = shown[shown <= i], shown[shown > i]
        if not (before.size and after.size):
            return float("inf")
        return float(self.times[after[0]] - self.times[before[-1]])

    def systematic_at(self, name: str, s: float) -> Array | None:
        """Covariance (2, 2) px^2 of what stays with player and set-up; None where not known."""
        if self.systematic is None or name not in self.index:
            return None
        nearest = int(np.argmin(np.abs(self.times - s)))
        cov = self.systematic[nearest, :, :, self.index[name]]
        return cov if np.isfinite(cov).all() and np.trace(cov) > 0 else None

    def shaft_at(self, s: float) -> tuple[float, float]:
        """Read the shaft's direction and its standard error, rad, at a time.

        Raises
        ------
        CannotMeasure : there is no club in this clip, or not at this time.
        """
        lost = _no_club()
        if self.shaft is None or self.shaft_se is None:
            raise lost
        i, share = self._between(s)
        angles = np.unwrap(self.shaft[i : i + 2])
        ses = self.shaft_se[i : i + 2]
        if not (np.isfinite(angles).all() and np.isfinite(ses).all()):
            raise lost
        angle = (1 - share) * angles[0] + share * angles[1]
        return float(angle), float((1 - share) * ses[0] + share * ses[1])

    def _between(self, s: float) -> tuple[int, float]:
        if not self.times[0] <= s <= self.times[-1]:
            raise CannotMeasure(
                say("this moment is outside the clip"),
                do=say("start filming earlier and stop later"),
            )
        i = min(int(np.searchsorted(self.times, s, side="right")) - 1, len(self.times) - 2)
        return i, float((s - self.times[i]) / (self.times[i + 1] - self.times[i]))


def _no_club() -> CannotMeasure:
    return CannotMeasure(
        say("the club was not found here"),
        do=say("film against a plain background, with a shorter exposure and the club in full"),
    )


def _hidden(name: str) -> CannotMeasure:
    if name in CLUB_KEYPOINTS:  # blurred, out of the picture or alike the ground: nothing hides it
        return _no_club()
    return CannotMeasure(
        say("{point} is hidden here", point=plain(name)),
        do=say("film with nothing between the camera and the golfer, in good light"),
    )


def _ordered(track: xr.Dataset, name: str, dims: tuple[str, ...]) -> Array:
    return np.asarray(track[name].transpose(*dims).values, dtype=float)


def _hermite(place: Array, rates: Array | None, step: float, u: float) -> Array:
    straight: Array = (1 - u) * place[0] + u * place[1]
    if rates is None or not np.isfinite(rates).all():
        return straight
    # Cubic through both places with both velocities: keeps fast wrists on their arc.
    bend: Array = step * rates - (place[1] - place[0])
    curved: Array = straight + u * (1 - u) * ((1 - u) * bend[0] - u * bend[1])
    return curved


def plain(name: str) -> str:
    """Write a keypoint's name as words: 'lead_knee' as 'lead knee'."""
    return name.replace("_", " ")
