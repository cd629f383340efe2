"""Where an obstacle must stand so that the swings of now touch it and the wanted ones clear it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lessonmark.drills.obstacle import Obstacle, Shape, SwingClearance, clearances, surface_distance
from lessonmark.drills.obstacle_path import ClubPath, head_radius_cm
from lessonmark.drills.safety_words import keep_clear, soft_only
from lessonmark.errors import RecordError
from lessonmark.language import say, say_n, say_number

__all__ = ["USUAL_CM", "ObstaclePlan", "both_units", "plan_obstacle"]

Array = npt.NDArray[np.float64]
USUAL_CM = 30.0  # behind the ball; common practice, no source
NEAREST_CM, FARTHEST_CM = 15, 80
STAIR_CM = 4.0  # a step of the staircase; common practice, no source
MOSTLY = 0.7  # 'the swings of now touch it', 'the wanted ones clear it'
EASY = 0.25  # at the easy end so many of the swings of now still touch
TELLS_APART = 0.4  # less than this between the two chances, and the obstacle tells nothing
ROOM_CM = 12.0  # more than a path's error along the line
CM_PER_INCH = 2.54


@dataclass(frozen=True, kw_only=True)
class ObstaclePlan:
    """An obstacle with what it does to each swing."""

    target: Obstacle
    useful: bool  # False: at no distance does it do its work; `lines` says why
    present: tuple[SwingClearance, ...]
    wanted: tuple[SwingClearance, ...]
    stairs_cm: tuple[float, ...]  # distances from easy to target
    lines: tuple[str, ...]  # what to do, in words
    cautions: tuple[str, ...]


def plan_obstacle(
    present: Sequence[ClubPath],
    wanted: Sequence[ClubPath] = (),
    *,
    height_cm: float,
    shape: Shape = Shape.ROUND,
    usual_cm: float = USUAL_CM,
) -> ObstaclePlan:
    """Plan an obstacle of a height.

    Parameters
    ----------
    present : the swings of now, of one camera set-up.
    wanted : swings that already go the wanted way; without any, the usual distance is aimed at.
    height_cm : the obstacle's.
    usual_cm : the distance to stay near where several would do.

    Raises
    ------
    RecordError : no swings, or a height that cannot be.
    """
    if not present:
        raise RecordError(
            say("there is no swing to plan an obstacle from"),
            do=say("film a few swings face-on with the ball and the whole club in sight"),
        )
    distances = list(range(NEAREST_CM, FARTHEST_CM + 1))
    tried = [Obstacle(distance_cm=float(d), height_cm=height_cm, shape=shape) for d in distances]
    touch = np.array([_chance(present, one) for one in tried])
    clear = np.array([1.0 - _chance(wanted, one) for one in tried]) if wanted else None
    near = -np.abs(np.array(distances) - usual_cm) * 1e-3  # decides between equals
    if clear is not None:
        gap = touch + clear - 1.0
        best = int(np.argmax(np.round(gap, 2) + near))
        useful = bool(gap[best] >= TELLS_APART)
    else:
        best = int(np.argmax(np.minimum(touch, MOSTLY) + near))
        useful = bool(touch[best] >= MOSTLY)
    if not useful:
        best = int(np.argmin(np.abs(np.array(distances) - usual_cm)))
    stairs = _stairs(distances, touch, best) if useful else (float(distances[best]),)
    target = tried[best]
    now, then = clearances(present, target), clearances(wanted, target)
    return ObstaclePlan(
        target=target,
        useful=useful,
        present=now,
        wanted=then,
        stairs_cm=stairs,
        lines=_lines(target, useful, now, then, stairs, present[0].club_length_cm),
        cautions=(
            soft_only(),
            keep_clear(),
            say("Begin at half speed and without a ball."),
        ),
    )


def both_units(cm: float) -> str:
    """Write a length in centimetres and inches: '30 cm (12 in)'; inches to the half."""
    inches = round(2 * cm / CM_PER_INCH) / 2
    return say(
        "{cm} cm ({inches} in)",
        cm=say_number(cm, 0 if abs(cm - round(cm)) < 0.05 else 1),
        inches=say_number(inches, 0 if inches == int(inches) else 1),
    )


def _chance(paths: Sequence[ClubPath], obstacle: Obstacle) -> float:
    """Give the chance that a swing touches it; only places near it can."""
    found = []
    for path in paths:
        head = head_radius_cm(path.club_length_cm)
        behind = -path.best[:, 0] - obstacle.distance_cm
        near = (behind > -head - ROOM_CM) & (behind < obstacle.deep_cm + head + ROOM_CM)
        places = path.down[1:, near]
        touching = surface_distance(places, obstacle).min(axis=1, initial=np.inf) < head
        found.append(float(np.mean(touching)))
    return float(np.mean(found)) if found else 0.0


def _stairs(distances: list[int], touch: Array, best: int) -> tuple[float, ...]:
    """Distances from where few of the swings of now touch to the target, at most five."""
    easy = next((i for i in range(best, len(distances)) if touch[i] <= EASY), len(distances) - 1)
    steps = min(4, max(1, math.ceil((distances[easy] - distances[best]) / STAIR_CM)))
    stairs = np.linspace(distances[easy], distances[best], steps + 1)
    return tuple(dict.fromkeys(float(round(one)) for one in stairs))


def _lines(
    target: Obstacle,
    useful: bool,
    present: Sequence[SwingClearance],
    wanted: Sequence[SwingClearance],
    stairs: Sequence[float],
    club_length_cm: float,
) -> tuple[str, ...]:
    tall, far = both_units(target.height_cm), both_units(target.distance_cm)
    touched = sum(one.clearance_cm < 0 for one in present)
    unsure = sum(not one.is_outside_error for one in present)
    lines = []
    if useful:
        lines.append(
            say(
                "Lay an obstacle {tall} high across the line, its near edge {far} behind the "
                "middle of the ball, reaching from the ball's line toward the feet.",
                tall=tall,
                far=far,
            )
        )
    else:
        lines.append(
            say(
                "An obstacle {tall} high does not do its work with these swings at any distance; "
                "what follows is for {far}. Try another height.",
                tall=tall,
                far=far,
            )
        )
    lines.append(
        say_n(
            "Of {n} swing now, {touched} would touch it.",
            "Of {n} swings now, {touched} would touch it.",
            len(present),
            touched=touched,
        )
    )
    if wanted:
        lines.append(
            say_n(
                "Of {n} wanted swing, {cleared} would clear it.",
                "Of {n} wanted swings, {cleared} would clear it.",
                len(wanted),
                cleared=sum(one.clearance_cm >= 0 for one in wanted),
            )
        )
    if unsure:
        lines.append(
            say_n(
                "For {n} of them it is too close to call from this footage.",
                "For {n} of them it is too close to call from this footage.",
                unsure,
            )
        )
    if len(stairs) > 1:
        lines.append(
            say(
                "Start at {first} and come nearer by way of {steps}, each after four clean "
                "swings in five.",
                first=both_units(stairs[0]),
                steps=", ".join(both_units(one) for one in stairs[1:]),
            )
        )
    going_back = [one.touch_back for one in present if one.touch_back is not None]
    if going_back and float(np.mean(going_back)) > 0.5:
        lines.append(
            say(
                "Going back the club would touch it too: start with the club above the obstacle, "
                "or let a helper lay it down for rehearsals that begin at the top."
            )
        )
    lines.append(
        say(
            "This holds for the ball where it lay and a club of {length}; with another club or "
            "ball position film again.",
            length=both_units(club_length_cm),
        )
    )
    return tuple(lines)
