"""Which frames are searched for the club, and the cuts around the hands that are kept of them.

The club turns slowly for most of a swing: there a frame in two or three tells as much as all, since
the errors of frames of one moment are alike. The clip is decoded once; of every frame looked at
only what a club can reach is kept until the background, learnt from the same frames, is known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lessonmark.media.clip import Frame
from lessonmark.tracks.background import (
    Background,
    Window,
    learn_background,
    small_picture,
    spread_samples,
)

__all__ = ["TURN_AT_REST", "FrameSource", "Look", "Looks", "choose_looks", "turn_most"]

Array = npt.NDArray[np.float64]
FrameSource = Callable[[float, float], Iterable[Frame]]  # grey frames from start_s to stop_s

# Cuts are held from learning the background to searching them while they take no more than this;
# the rest is read twice.
HELD_BYTES = 120e6
SAMPLES = 25  # frames that the background is learnt from
# How fast a club can turn for the hands' speed: at impact 42 rad/s at 7 m/s, which is 6 a club
# length (rendered swings); a hinge alone turns it at a few rad/s with the hands at rest.
TURN_PER_HAND_SPEED = 8.0
TURN_AT_REST = 4.0  # rad/s
# Between two looks a club turns no more than this, by the hands' fastest about that time. From
# down the line the hands cross the camera's axis at impact and seem slow: hence a time so long.
TURN_BETWEEN_LOOKS_RAD = np.radians(12.0)
HANDS_FASTEST_WITHIN_S = 0.08
LONGEST_S = 1 / 30  # between looks, as for the body's (`pace`)


@dataclass(frozen=True, kw_only=True)
class Look:
    """One frame's cut around the hands."""

    row: int  # of the span's time
    image: npt.NDArray[np.uint8]
    corner: tuple[int, int]  # of the image in the window as it lies in this frame, px
    motion: Array | None  # (2, 3) of the camera, from the reference to this frame, picture px


def turn_most(times: Array, hands_velocity: Array, length: float, within_s: float) -> Array:
    """Return the fastest that a club can turn about each time, rad/s, by the hands' speed."""
    frame_s = float(np.median(np.diff(times)))
    speed = np.nan_to_num(np.hypot(hands_velocity[:, 0], hands_velocity[:, 1]) / length)
    near = max(1, round(within_s / frame_s))
    windows = np.lib.stride_tricks.sliding_window_view(
        np.pad(speed, near, mode="edge"), 2 * near + 1
    )
    return np.asarray(TURN_PER_HAND_SPEED * windows.max(axis=1), np.float64)


def choose_looks(times: Array, hands_velocity: Array, length: float) -> list[int]:
    """Choose the frames to look at, as often as the hands' speed asks for.

    Parameters
    ----------
    times : (time,), s.
    hands_velocity : (time, 2), px/s.
    length : the club's, px.
    """
    turn = turn_most(times, hands_velocity, length, HANDS_FASTEST_WITHIN_S)
    wait = np.minimum(TURN_BETWEEN_LOOKS_RAD / np.maximum(turn, 1e-6), LONGEST_S)
    chosen = [0]
    for row in range(1, len(times)):
        # Frames come at fixed times: half a millisecond of rounding must not cost a frame.
        if times[row] - times[chosen[-1]] >= wait[row] - 5e-4:
            chosen.append(row)
    if chosen[-1] != len(times) - 1:
        chosen.append(len(times) - 1)
    return chosen


class Looks:
    """One swing's frames, read once.

    Parameters
    ----------
    frames_source : gives the grey frames.
    times : (time,), s, the span's.
    rows : the frames to be looked at, ascending.
    hands : (time, 2), px of the picture.
    window : what a club can reach in the whole span.
    reach : of a club around the hands, window px.
    golfer : x0, y0, x1, y1 of what moves by itself, px.

    Raises
    ------
    ValueError : fewer than three frames could be read there.
    """

    def __init__(
        self,
        frames_source: FrameSource,
        times: Array,
        rows: list[int],
        *,
        hands: Array,
        window: Window,
        reach: float,
        golfer: tuple[float, float, float, float],
    ) -> None:
        self._source = frames_source
        self._times = times
        self._rows = rows
        self._window = window
        self._middles = window.inside(hands)
        self._reach = reach
        self._held: dict[int, tuple[tuple[int, int], npt.NDArray[np.uint8]]] = {}
        self._small: dict[int, npt.NDArray[np.uint8]] = {}
        samples = set(spread_samples(hands, SAMPLES))
        self.background: Background = learn_background(
            self._read(samples), window=window, golfer=golfer
        )

    def __iter__(self) -> Iterator[Look]:
        """Give the looks in the order of time; each is forgotten once it is given."""
        for row in sorted(self._held):
            corner, image = self._held.pop(row)
            yield Look(row=row, image=image, corner=corner, motion=self._motion(row))
        rest = [row for row in self._rows if row not in self._done]
        if not rest:
            return
        for row, frame in self._frames(float(self._times[rest[0]])):
            if row in rest:
                corner, image = self._cut(row, frame)
                self._small[row] = small_picture(frame.image)
                yield Look(row=row, image=image, corner=corner, motion=self._motion(row))

    def _read(self, samples: set[int]) -> Iterator[npt.NDArray[np.uint8]]:
        """Give the frames to learn from, keeping what is around the hands in those looked at."""
        wanted = set(self._rows)
        held_bytes = 0
        for row, frame in self._frames(float(self._times[0])):
            if row in wanted and held_bytes < HELD_BYTES:
                self._held[row] = self._cut(row, frame)
                self._small[row] = small_picture(frame.image)
                held_bytes += self._held[row][1].nbytes + self._small[row].nbytes
            if row in samples:
                yield frame.image
        self._done = set(self._held)

    def _cut(self, row: int, frame: Frame) -> tuple[tuple[int, int], npt.NDArray[np.uint8]]:
        return self._window.cut_around(frame.image, self._middles[row], self._reach)

    def _motion(self, row: int) -> Array | None:
        small = self._small.pop(row)
        registration = self.background.registration
        return None if registration is None else registration.motion_of_small(small)

    def _frames(self, start_s: float) -> Iterator[tuple[int, Frame]]:
        """Give the span's frames with their rows."""
        step = (self._times[-1] - self._times[0]) / max(len(self._times) - 1, 1)
        for frame in self._source(start_s, float(self._times[-1])):
            after = int(np.searchsorted(self._times, frame.s))
            near = [k for k in (after - 1, after) if 0 <= k < len(self._times)]
            row = min(near, key=lambda k: abs(self._times[k] - frame.s))
            if abs(self._times[row] - frame.s) < 0.4 * step:
                yield row, frame
