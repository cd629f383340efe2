"""P1 and P10: when the club starts from rest, and when it comes to rest."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from lessonmark.positions.crossing import onset
from lessonmark.positions.signals import Floats, Path, Trace
from lessonmark.positions.times import Time
from lessonmark.words import View

__all__ = [
    "BODY",
    "BODY_DOWN_THE_LINE",
    "BODY_MOVERS",
    "CLUBHEAD",
    "CLUBHEAD_FACE_ON",
    "Mover",
    "Turn",
    "first_still",
    "last_still",
    "shaft_first_still",
    "shaft_last_still",
]


@dataclass(frozen=True, kw_only=True)
class Mover:
    """How fast points may still be called still, and how far their start is followed."""

    still_start_m_s: float  # below this they rest before the swing
    still_stop_m_s: float  # below this they rest after it
    reach_start_torso: float  # how far the start is followed, torso lengths
    reach_stop_torso: float
    se_start_s: float  # how well these points' start stands for the club's, s
    se_stop_s: float  # how well their stop does, s


# The clubhead's speeds are this program's definition of P1 and P10. The body's points move about
# a tenth as fast in the takeaway (common practice, no source). At the finish the head goes round
# the back, from the front mostly along the camera's axis: less than half of its speed shows.
CLUBHEAD = Mover(
    still_start_m_s=0.05,
    still_stop_m_s=0.30,
    reach_start_torso=0.7,
    reach_stop_torso=0.4,
    se_start_s=0.008,
    se_stop_s=0.025,
)
CLUBHEAD_FACE_ON = replace(CLUBHEAD, still_stop_m_s=0.12)
BODY = Mover(
    still_start_m_s=0.005,
    still_stop_m_s=0.15,
    reach_start_torso=0.2,
    reach_stop_torso=0.2,
    se_start_s=0.020,
    se_stop_s=0.060,
)
# From down-the-line the start goes along the camera's axis; the hands' first 5 cm tell a little.
BODY_DOWN_THE_LINE = replace(BODY, reach_start_torso=0.1, se_start_s=0.050)


@dataclass(frozen=True, kw_only=True)
class Turn:
    """How fast the shaft may turn and still be called still, and how far its start is followed."""

    still_rad_s: float
    reach_rad: float
    se_s: float  # how well its start stands for the head's, s


# 0.05 m/s at the end of a club of 0.95 m; from down-the-line a fifteenth of that shows.
SHAFT = {
    View.FACE_ON: Turn(still_rad_s=0.05 / 0.95, reach_rad=math.radians(18.0), se_s=0.008),
    View.DOWN_THE_LINE: Turn(
        still_rad_s=math.radians(0.2), reach_rad=math.radians(5.0), se_s=0.020
    ),
}
# 0.30 m/s at the same end, from face-on, where it goes round the player's back: between six and
# ten tenths of that turn the shaft on the image, the rest goes along the camera's axis or is the
# hands' (rendered swings: 0.19 to 0.33 rad/s). The slowing from one to the other takes 0.04 s.
SHAFT_STOP = Turn(still_rad_s=0.8 * 0.30 / 0.95, reach_rad=math.radians(14.0), se_s=0.012)
SHAFT_WANDER_RAD = math.radians(0.15)
# What a tracker's points wander while the player stands still, torso lengths.
WANDER_TORSO = 0.008
BODY_MOVERS = (
    "lead_shoulder",
    "trail_shoulder",
    "lead_elbow",
    "trail_elbow",
    "lead_wrist",
    "trail_wrist",
)
# A start from rest goes with the time cubed (minimum jerk) or nearly, a stop is a little more
# abrupt (common practice, no source): what that choice is worth goes into the error.
POWERS_START = (2.5, 3.0, 3.5)
POWERS_STOP = (2.0, 2.5, 3.0)
# How much of the rest is looked at, and how long the start may take over its reach, s.
REST_S = 0.35
LONGEST_START_S = 0.6
# The hands look still for this long after the club has started, at first and at second look, s.
REST_ENDS_START_S = (0.30, 0.03)
# The body settles within so much of the club.
REST_ENDS_STOP_S = (0.10, 0.03)


def last_still(
    paths: list[Path], mover: Mover, *, about_s: float, torso_px: float, px_per_m: float
) -> Time | None:
    """Find when the points were last still, `about_s` being a moment at or soon after that.

    Parameters
    ----------
    paths : one or several points that start together.
    about_s : s.
    torso_px, px_per_m : the scale on the image.
    """
    t, place = _together(paths)
    return _leave(
        t,
        place,
        WANDER_TORSO * torso_px / math.sqrt(len(paths)),
        about_s,
        mover.reach_start_torso * torso_px,
        mover.still_start_m_s * px_per_m,
        POWERS_START,
        REST_ENDS_START_S,
        mover.se_start_s,
    )


def shaft_last_still(shaft: Trace, *, view: View, about_s: float) -> Time | None:
    """Find when the shaft was last still, by its angle on the image.

    The angle is the best that is known of a club: a head's place also hangs on how long the shaft
    looks. From down-the-line the head starts along the camera's axis and its place hardly changes
    for a fifth of a second; the angle does, though only by a degree.

    Parameters
    ----------
    shaft : angle on the image, rad, unwrapped.
    about_s : a moment at or soon after the start, s.
    """
    turn = SHAFT[view]
    return _leave(
        shaft.t,
        shaft.value[:, None],
        SHAFT_WANDER_RAD,
        about_s,
        turn.reach_rad,
        turn.still_rad_s,
        POWERS_START,
        REST_ENDS_START_S,
        turn.se_s,
    )


def shaft_first_still(shaft: Trace, *, about_s: float) -> Time | None:
    """Find when the shaft is first still from face-on, `about_s` a moment near that.

    Parameters
    ----------
    shaft : angle on the image, rad, unwrapped, where the shaft was seen.
    about_s : a moment at or soon before the rest, s.
    """
    found = _leave(
        -shaft.t[::-1],
        shaft.value[::-1, None],
        SHAFT_WANDER_RAD,
        -about_s,
        SHAFT_STOP.reach_rad,
        SHAFT_STOP.still_rad_s,
        POWERS_STOP,
        REST_ENDS_STOP_S,
        SHAFT_STOP.se_s,
    )
    return None if found is None else Time(s=-found.s, se=found.se)


def first_still(
    paths: list[Path], mover: Mover, *, about_s: float, torso_px: float, px_per_m: float
) -> Time | None:
    """Find when the points are first still, `about_s` being a moment at or soon before that."""
    # The same problem with time turned round.
    t, place = _together(paths)
    found = _leave(
        -t[::-1],
        place[::-1],
        WANDER_TORSO * torso_px / math.sqrt(len(paths)),
        -about_s,
        mover.reach_stop_torso * torso_px,
        mover.still_stop_m_s * px_per_m,
        POWERS_STOP,
        REST_ENDS_STOP_S,
        mover.se_stop_s,
    )
    return None if found is None else Time(s=-found.s, se=found.se)


def _together(paths: list[Path]) -> tuple[Floats, Floats]:
    """Put paths side by side: times, and places (time, 2 x points) px."""
    t = paths[0].t
    for path in paths[1:]:
        t = np.intersect1d(t, path.t)
    columns: list[Floats] = []
    for path in paths:
        keep = np.isin(path.t, t)
        columns += [path.along[keep], path.up[keep]]
    return t, np.stack(columns, axis=1)


def _leave(
    t: Floats,
    place: Floats,
    wander: float,
    about_s: float,
    reach: float,
    speed: float,
    powers: tuple[float, ...],
    ends_s: tuple[float, ...],
    se_more: float,
) -> Time | None:
    """Time the start from the rest that lies before `about_s`, by its shape up to `reach`.

    Distances are the root mean square over the points.
    """
    points = max(place.shape[1] / 2, 1.0)
    found: list[Time] = []
    for ends in ends_s:
        used = (t >= about_s - ends - REST_S) & (t <= about_s + LONGEST_START_S)
        at, where = t[used], place[used]
        resting = at < about_s - ends
        if resting.sum() < 3 or len(at) < 8:
            return None
        off = where - np.median(where[resting], axis=0)
        away = np.sqrt(np.sum(off**2, axis=1) / points)
        out = np.flatnonzero((away >= reach) & ~resting)
        if len(out) == 0:
            return None
        last = int(out[0])
        way = off[last] / np.linalg.norm(off[last])
        moved = off[: last + 1] @ way / math.sqrt(points)
        # What the points do while they rest tells their error better than what the track says.
        scatter = math.hypot(float(np.std(moved[resting[: last + 1]])), wander)
        found = [
            time
            for power in powers
            if (
                time := onset(
                    at[: last + 1],
                    moved,
                    scatter,
                    speed=speed,
                    power=power,
                )
            )
            is not None
        ]
        if len(found) < len(powers):
            return None
        about_s = found[len(found) // 2].s
    times = [time.s for time in found]
    middle = found[len(found) // 2]
    # Any power between is as likely: a rectangular distribution (JCGM 100:2008, 4.3.7).
    spread = (max(times) - min(times)) / (2 * math.sqrt(3))
    return Time(s=middle.s, se=math.sqrt(middle.se**2 + spread**2 + se_more**2))
