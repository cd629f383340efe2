"""The first of the ball's flight: streaks that lie on one line from where the ball lay.

A ball leaves at 20 to 80 m/s and is in the picture for a few frames. Two streaks on a line give
its direction, and their distances, run back to nothing, the moment it left: far finer than the
time between frames.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
import numpy.typing as npt

from lessonmark.tracks.background import Background

__all__ = ["Flight", "follow_flight"]

Array = npt.NDArray[np.float64]

STREAKS_MOST = 10  # a frame, the clearest
FOLLOWED_S = 0.035  # after the ball was seen gone
CONTRAST_LEAST = 5.0  # spreads of the background
AREA_RATIO = (0.25, 25.0)  # of the ball's area: a far ball is smaller, a streak larger
STILL = 0.3  # ball diameters: what moves less from frame to frame is no ball in flight
OFF_LINE = 0.6  # ball diameters that a streak's middle may lie beside the line
# Slower on the image than this and it flies away from the camera: its image slows down, and its
# distances say nothing of when it left.
FLAT_LEAST_CM_S = 1800.0
STREAK_SE = 0.15  # of a streak's length, of its middle along the line: it may be cut or uneven


@dataclass(frozen=True, kw_only=True)
class Flight:
    """The first flight on the image."""

    angle: float  # rad, atan2(-dy, dx)
    angle_se: float  # rad
    start_s: float | None  # when it left, from the streaks' distances; None with one streak only
    start_se: float | None  # s


@dataclass(frozen=True, kw_only=True)
class _Streak:
    frame: int
    s: float
    gap: Array  # (2,) px from the ball's place to the streak's middle
    length: float  # px
    along: Array  # (2,) unit vector of its long axis


def follow_flight(
    frames: Sequence[tuple[float, npt.NDArray[np.uint8], npt.NDArray[np.uint8]]],
    *,
    background: Background,
    start: tuple[float, float],
    diameter: float,
    sign: float,
    between: tuple[float, float],
    px_per_cm: float,
) -> Flight | None:
    """Follow the ball out of the picture.

    Parameters
    ----------
    frames : time, window picture, and where golfer and club are in it (above 0), from the first
        frame that may show the flight.
    background : the window without ball and club.
    start : the ball's centre at rest, window px.
    diameter : of the ball at rest, px.
    sign : +1 for a ball brighter than its ground, -1 for a darker one: shadows move too.
    between : when it was last seen at rest and first seen gone, s.
    px_per_cm : window px a centimetre.

    Returns
    -------
    Flight | None : None where no two streaks agree with one ball that left in that time.
    """
    streaks: list[_Streak] = []
    for index, (s, image, golfer) in enumerate(frames):
        if s > between[1] + FOLLOWED_S:
            break
        streaks.extend(_streaks(index, s, image, golfer, background, start, diameter, sign))
    streaks = [streak for streak in streaks if not _stands_still(streak, streaks, diameter)]
    best: tuple[int, float, tuple[_Streak, ...]] | None = None
    for first, second in combinations(streaks, 2):
        if first.frame == second.frame:
            continue
        group = _agreeing(first, second, streaks, diameter, between)
        if group is None:
            continue
        worth = (len(group), -float(np.hypot(*group[0].gap)))
        if best is None or worth > best[:2]:
            best = (*worth, group)
    return None if best is None else _flight(best[2], diameter, between, px_per_cm)


def _streaks(
    index: int,
    s: float,
    image: npt.NDArray[np.uint8],
    golfer: npt.NDArray[np.uint8],
    background: Background,
    start: tuple[float, float],
    diameter: float,
    sign: float,
) -> list[_Streak]:
    change = sign * (image - background.median)
    strong = (change > CONTRAST_LEAST * background.spread).astype(np.uint8)
    # Compression breaks a streak up.
    strong = cv2.morphologyEx(strong, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)).astype(np.uint8)
    count, labels, stats, centres = cv2.connectedComponentsWithStats(strong, connectivity=8)
    full = np.pi / 4 * diameter**2
    found: list[tuple[float, _Streak]] = []
    for blob in range(1, count):
        area = float(stats[blob, cv2.CC_STAT_AREA])
        if not AREA_RATIO[0] * full < area < AREA_RATIO[1] * full:
            continue
        middle = centres[blob].astype(int)
        if golfer[middle[1], middle[0]]:
            continue
        gap = centres[blob] + 0.5 - np.asarray(start)
        if np.hypot(*gap) < 1.5 * diameter:
            continue
        x, y, width, height = stats[blob, :4]
        rows, columns = np.nonzero(labels[y : y + height, x : x + width] == blob)
        spread = np.cov(np.stack([columns, rows])) if len(rows) > 2 else np.eye(2)
        values, vectors = np.linalg.eigh(spread)
        long, thick = np.sqrt(12 * np.maximum(values[::-1], 0.1))
        if thick > 1.8 * diameter:
            continue
        clear = float(np.sum(change[y : y + height, x : x + width][rows, columns]))
        streak = _Streak(frame=index, s=s, gap=gap, length=float(long), along=vectors[:, 1])
        found.append((clear, streak))
    found.sort(key=lambda pair: -pair[0])
    return [streak for _, streak in found[:STREAKS_MOST]]


def _stands_still(streak: _Streak, streaks: Sequence[_Streak], diameter: float) -> bool:
    """Return whether another frame shows the same thing in the same place: a shadow, a leaf."""
    return any(
        other.frame != streak.frame and np.hypot(*(other.gap - streak.gap)) < STILL * diameter
        for other in streaks
    )


def _agreeing(
    first: _Streak,
    second: _Streak,
    streaks: Sequence[_Streak],
    diameter: float,
    between: tuple[float, float],
) -> tuple[_Streak, ...] | None:
    """Return the streaks that fit the ball of `first` and `second`, None if those do not fit."""
    far1, far2 = float(np.hypot(*first.gap)), float(np.hypot(*second.gap))
    if first.s > second.s:
        first, second, far1, far2 = second, first, far2, far1
    axis = second.gap / max(far2, 1e-9)
    speed = (far2 - far1) / (second.s - first.s)
    if speed <= 0 or abs(_beside(first.gap, axis)) > OFF_LINE * diameter + 0.02 * far1:
        return None
    start_s = first.s - far1 / speed
    # A ball is seen in frame after frame until it is out of the picture.
    if second.frame > first.frame + 2:
        return None
    slack = 0.25 * (second.s - first.s)
    if not between[0] - slack < start_s < between[1] + slack:
        return None
    group = {first.frame: first, second.frame: second}
    for streak in streaks:
        if streak.frame in group:
            continue
        expected = speed * (streak.s - start_s)
        off = abs(float(streak.gap @ axis) - expected)
        if (
            off < 0.5 * diameter + 0.06 * expected
            and abs(_beside(streak.gap, axis)) < OFF_LINE * diameter + 0.02 * expected
        ):
            group[streak.frame] = streak
    # A streak lies along its own flight; a clubhead's or a shoe's blob does not.
    turned = [
        abs(_beside(streak.along, axis))
        for streak in group.values()
        if streak.length > 1.8 * diameter
    ]
    if turned and np.median(turned) > 0.35:
        return None
    return tuple(group[frame] for frame in sorted(group))


def _beside(gap: Array, axis: Array) -> float:
    return float(gap[0] * axis[1] - gap[1] * axis[0])


def _flight(
    group: Sequence[_Streak], diameter: float, between: tuple[float, float], px_per_cm: float
) -> Flight:
    total = np.sum([streak.gap for streak in group], axis=0)
    far = np.array([float(np.hypot(*streak.gap)) for streak in group])
    angle = float(np.arctan2(-total[1], total[0]))
    axis = total / np.hypot(*total)
    beside = np.array([_beside(streak.gap, axis) for streak in group]) / far
    angle_se = float(np.hypot(np.std(beside) / np.sqrt(len(group)), 0.15 * diameter / far.max()))
    times = np.array([streak.s for streak in group])
    error = np.array([max(0.1 * diameter, STREAK_SE * streak.length) for streak in group])
    # Distance = speed * (s - start): a straight line, run back to where it is nothing.
    design = np.stack([np.ones_like(times), times - times[0]], axis=1) / error[:, None]
    covariance = np.linalg.inv(design.T @ design)
    at_first, speed = covariance @ (design.T @ (far / error))
    if speed < FLAT_LEAST_CM_S * px_per_cm:
        return Flight(angle=angle, angle_se=angle_se, start_s=None, start_se=None)
    start = times[0] - at_first / speed
    slope = np.array([-1.0 / speed, at_first / speed**2])
    start_se = float(np.sqrt(slope @ covariance @ slope))
    # The flight is not quite even on the image either: nothing finer than a twentieth of the time
    # in which it was seen to leave.
    floor = 0.05 * (between[1] - between[0])
    return Flight(
        angle=angle,
        angle_se=angle_se,
        start_s=float(np.clip(start, *between)),
        start_se=float(np.hypot(start_se, floor)),
    )
