"""Fill the frames in which the club was lost between two that show it, where its line is clear.

The search over a whole swing (`club_path`) holds a club's full motion, and where few frames a
second show a fast club it may find no motion that goes on to the next line, although the line is
plain to see. Between two sights of the club much less is needed: angles that lead from the one to
the other without turning faster than a club can.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from lessonmark.tracks.club_rays import Ray

__all__ = ["fill_gaps"]

Array = npt.NDArray[np.float64]

LONGEST_S = 0.6  # of a gap: the downswing and the way through last less
ANCHOR_S = 0.06  # how far beyond a gap's ends the frames lie that tell the rate there
TURN_MOST = 60.0  # rad/s: drivers pass 45 at the strike; common practice, no source
# rad/s^2, of the turning rate's change from frame to frame: a release's hundreds, and what a view
# aslant makes of it.
CHANGE_SD = 500.0
SLACK_RAD = 0.02  # of an angle: the shaft bends, the hands' middle is off
CLEAR = 0.0  # log odds by its looks that a line needs to be thought of
HIDDEN = float(np.log(0.2))  # log odds of a frame that does not show the club
BY_CHANCE = 5.0  # lines of a frame that are something else
SHARE_LEAST = 0.5  # of a gap's frames: less of it is no way across
PATHS_KEPT = 40


@dataclass(frozen=True, kw_only=True)
class _Way:
    """Lines taken so far, with the last one's angle and turning rate."""

    worth: float
    angle: float
    rate: float
    rate_se: float
    at_s: float
    taken: tuple[int, ...]


def fill_gaps(
    times: Array,
    rays: Sequence[Sequence[Ray]],
    chosen: npt.NDArray[np.intp],
    looks: Sequence[Sequence[float]],
) -> npt.NDArray[np.intp]:
    """Take clear lines in the gaps of a chosen path.

    Parameters
    ----------
    times : (time,), s, ascending.
    rays : for each time, what was found.
    chosen : (time,), index into that frame's rays, -1 where the path took none.
    looks : for each ray the log odds that it is a club by its looks alone.

    Returns
    -------
    (time,) : `chosen` with more of it taken; what was taken stays.
    """
    filled = chosen.copy()
    seen = np.flatnonzero(chosen >= 0).tolist()
    for before, after in pairwise(seen):
        if after - before > 1 and times[after] - times[before] <= LONGEST_S:
            filled[before + 1 : after] = _fill(times, rays, chosen, looks, before, after)
    return filled


def _fill(
    times: Array,
    rays: Sequence[Sequence[Ray]],
    chosen: npt.NDArray[np.intp],
    looks: Sequence[Sequence[float]],
    before: int,
    after: int,
) -> tuple[int, ...]:
    start = rays[before][chosen[before]].angle
    rate, rate_se = _rate(times, rays, chosen, before, -1)
    ways = [
        _Way(
            worth=0.0, angle=start, rate=rate, rate_se=rate_se, at_s=float(times[before]), taken=()
        )
    ]
    for frame in range(before + 1, after):
        grown = [
            _Way(
                worth=way.worth + HIDDEN,
                angle=way.angle,
                rate=way.rate,
                rate_se=way.rate_se,
                at_s=way.at_s,
                taken=(*way.taken, -1),
            )
            for way in ways
        ]
        for index, ray in enumerate(rays[frame]):
            if looks[frame][index] < CLEAR:
                continue
            for way in ways:
                on = _step(way, ray, float(times[frame]), index, looks[frame][index])
                if on is not None:
                    grown.append(on)
        ways = sorted(grown, key=lambda way: -way.worth)[:PATHS_KEPT]
    end = rays[after][chosen[after]]
    rate, rate_se = _rate(times, rays, chosen, after, 1)
    best, most = (-1,) * (after - before - 1), -np.inf
    for way in ways:
        on = _step(way, end, float(times[after]), -1, 0.0)
        if on is None:
            continue
        dt = float(times[after]) - way.at_s
        spread = np.hypot(rate_se, np.hypot(on.rate_se, CHANGE_SD * dt))
        worth = on.worth - 0.5 * ((on.rate - rate) / spread) ** 2 - np.log(spread)
        if worth > most:
            best, most = way.taken, worth
    taken = sum(take >= 0 for take in best)
    return best if taken >= SHARE_LEAST * len(best) else (-1,) * len(best)


def _step(way: _Way, ray: Ray, at_s: float, index: int, looks: float) -> _Way | None:
    """Go on to a line, or None where no club turns so fast."""
    dt = at_s - way.at_s
    spread = np.hypot(SLACK_RAD, dt * np.hypot(way.rate_se, CHANGE_SD * dt))
    # Of all the turns that end at this line the nearest to the expected one.
    gap = float((ray.angle - way.angle - way.rate * dt + np.pi) % (2 * np.pi) - np.pi)
    rate = way.rate + gap / dt
    if abs(rate) > TURN_MOST:
        return None
    density = np.exp(-0.5 * (gap / spread) ** 2) / (np.sqrt(2 * np.pi) * spread)
    return _Way(
        worth=way.worth + looks + float(np.log(density * 2 * np.pi / BY_CHANCE + 1e-12)),
        angle=ray.angle,
        rate=rate,
        # The mean rate of the step, which the rate at its end differs from.
        rate_se=float(np.hypot(SLACK_RAD * np.sqrt(2) / dt, CHANGE_SD * dt / 2)),
        at_s=at_s,
        taken=(*way.taken, index),
    )


def _rate(
    times: Array,
    rays: Sequence[Sequence[Ray]],
    chosen: npt.NDArray[np.intp],
    end: int,
    side: int,
) -> tuple[float, float]:
    """Return the turning rate beside a gap, rad/s, and its error; wide where it is not known."""
    here = rays[end][chosen[end]]
    for row in range(end + side, -1 if side < 0 else len(times), side):
        dt = float(times[row] - times[end])
        if chosen[row] < 0 or abs(dt) > ANCHOR_S:
            break
        turn = rays[row][chosen[row]].angle - here.angle
        turn = float((turn + np.pi) % (2 * np.pi) - np.pi)
        if abs(dt) >= ANCHOR_S / 4:
            return turn / dt, float(np.hypot(SLACK_RAD * np.sqrt(2) / dt, CHANGE_SD * dt / 2))
    return 0.0, TURN_MOST / 2
