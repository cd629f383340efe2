"""Which ray of each frame is the club: the path that turns like a club through the whole swing.

Several tracks are carried along side by side. Each holds the club as it shows on the image, a
vector from the hands to the head in club lengths, with its rate and acceleration, and each may
take any of a frame's rays or none. A club that turns at a steady rate moves on an ellipse about
some centre, whatever the view, and that is what the tracks predict; what they cannot know is how
the rate changes, and that is their process noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lessonmark.tracks.club_gaps import fill_gaps
from lessonmark.tracks.club_rays import START, Ray, room_to_edge

__all__ = ["CUT_FAR", "CUT_SD", "CUT_SHARE", "Limb", "choose_rays", "process_noise", "transition"]

Array = npt.NDArray[np.float64]

TRACKS_KEPT = 24
# A club that was seen is seen again in most frames; one that went behind the player, or points at
# the camera, stays hidden for a while. Log odds of a frame, and of a second.
LOST = np.log(0.12)
STAYS_LOST_A_SECOND = -12.0
BACK = np.log(0.3)
ROOM_LEAST = 0.3  # club lengths: with less of it inside the picture it need not be found
RAYS_BY_CHANCE = 5.0  # rays of a frame that are something else
REACH_SD = 0.12  # club lengths, where the line's end lies against where the club ends
# Changes of the turning rate, in club lengths/s^3: the change of direction at the top takes the
# club from rest to some 25 rad/s in 0.2 s, unevenly (measured on the bench's swings).
JERK_AT_REST = 1500.0
JERK_OF_TURN = 0.4  # times the turning rate cubed
JERK_LASTS_S = 0.010  # how long an unforeseen jerk lasts
START_RATE_SD = 1.0  # club lengths/s: a swing's span begins at rest
ASIDE_SD = 0.06  # club lengths, of the line beside the hands' middle
ASIDE_JUMP_SD = 0.025  # the same, of its change from one frame to the next
# Log odds that a line's own looks give it, by how much of it is there: a logistic regression on
# 13 500 lines of 43 rendered swings, true and false weighed alike (area under its curve 0.96).
LOOKS_OF_NONE = -6.3
LOOKS_OF_SCORE = 6.4
LOOKS_OF_AGREED = 10.4
LOOKS_OF_FILLED = 4.5  # the agreed part of the line's own way
LOOKS_OF_FAN = -2.1
LOOKS_MOST, LOOKS_LEAST = 3.0, -2.5
SHOWN_LEAST = 0.25  # of the club inside the picture, with less the rest tells nothing
# What a look is worth that goes on where the club was going, against its looks, at a path's ends.
GOES_ON = 1.0
ISLAND_LEAST = 3.0  # the same sum, of a few looks alone among frames without a club
ARM_RAD = np.radians(15.0)
ARM_ODDS = 3.0
ARM_REACH = 1.3  # times the distance to the joint
CUT_FAR = 0.85  # club lengths to a cut-off club's head: it is seldom much foreshortened
CUT_SD = 0.3
CUT_SHARE = 0.08  # of a club's length: a line that ends this near the picture's edge is cut off
# A club that was lost may turn up where no track expects it, where its line is clear: log odds of
# such a find, the looks it needs, and how little is then known of its motion.
ANEW = -9.0
CLEAR = 1.0
ANEW_RATE_SD = 10.0  # club lengths/s
ANEW_TURN_SD = 200.0  # club lengths/s^2
GATE = 18.4  # chi-square with 2 degrees of freedom, 0.9999
FAN_ODDS = 4.0  # log odds against a fan wider than the club can have swept
FAN_SLACK_RAD = np.radians(3.0)
GRACE_S = 0.6  # a track may begin this late
LENGTH_SD = 0.08  # club lengths by which a prediction may pass the club's length


def transition(turn: Array, dt_s: float) -> Array:
    """Build the (..., 3, 3) step of place, rate and acceleration at turning rates `turn`, rad/s.

    The solution of x''' = -turn^2 x', an ellipse run through at a steady rate; at a rate of 0 it
    is the constant-acceleration step.
    """
    turn = np.maximum(np.abs(turn), 1e-3)
    angle = turn * dt_s
    step = np.zeros((*np.shape(turn), 3, 3))
    step[..., 0, 0] = 1.0
    step[..., 0, 1] = np.sin(angle) / turn
    step[..., 0, 2] = 2 * np.sin(angle / 2) ** 2 / turn**2
    step[..., 1, 1] = step[..., 2, 2] = np.cos(angle)
    step[..., 1, 2] = step[..., 0, 1]
    step[..., 2, 1] = -turn * np.sin(angle)
    return step


def process_noise(turn: Array, dt_s: float) -> Array:
    """Build the (..., 3, 3) covariance that a step adds, club lengths: white jerk."""
    strength = ((JERK_AT_REST + JERK_OF_TURN * np.abs(turn) ** 3) ** 2) * JERK_LASTS_S
    t = dt_s
    shape = np.array(
        [
            [t**5 / 20, t**4 / 8, t**3 / 6],
            [t**4 / 8, t**3 / 3, t**2 / 2],
            [t**3 / 6, t**2 / 2, t],
        ]
    )
    noise: Array = np.asarray(strength)[..., None, None] * shape
    return noise


@dataclass(frozen=True, kw_only=True)
class Limb:
    """Where an elbow or shoulder lies at each time, seen from the hands: arms look like clubs."""

    angle: Array  # (time,) rad, atan2(dy, dx) from the hands to the joint, NaN where unknown
    reach: Array  # (time,) window px, from the hands to the joint

    def at(self, rows: npt.NDArray[np.intp]) -> Limb:
        """Return the same at some of its times."""
        return Limb(angle=self.angle[rows], reach=self.reach[rows])


@dataclass
class _Beam:
    """The tracks alive, one row each."""

    state: Array  # (track, 6): x place, rate, acceleration, then y
    covariance: Array  # (track, 6, 6)
    worth: Array  # (track,) log of the odds against chance
    missed: npt.NDArray[np.bool_]  # (track,) nothing taken in the last frame
    history: npt.NDArray[np.intp]  # (track, time) ray taken, -1 none
    aside: Array  # (track,) club lengths, how far beside the hands the last ray taken passed

    def rows(self, kept: Sequence[int]) -> _Beam:
        """Return these tracks alone."""
        keep = list(kept)
        return _Beam(
            self.state[keep],
            self.covariance[keep],
            self.worth[keep],
            self.missed[keep],
            self.history[keep],
            self.aside[keep],
        )


def choose_rays(
    times: Array,
    rays: Sequence[Sequence[Ray]],
    length_px: float,
    *,
    hands: Array,
    size: tuple[int, int],
    limbs: Sequence[Limb] = (),
    frame_s: float | None = None,
) -> npt.NDArray[np.intp]:
    """Choose the ray that is the club in each frame.

    Parameters
    ----------
    times : (time,), s, ascending.
    rays : for each time, what was found.
    length_px : the club's length, window px.
    hands : (time, 2), window px, where the rays start.
    size : of the window, px: what leaves it cannot be seen.
    limbs : rays along these, and no longer, are doubted.
    frame_s : how long the shutter can have been open, s; None for the time between looks.

    Returns
    -------
    (time,) : index into that frame's rays, -1 where none fits.
    """
    count = len(times)
    none = np.full(count, -1, np.intp)
    beam: _Beam | None = None
    looked: list[list[float]] = []
    for frame in range(count):
        found = rays[frame]
        looks = [_evidence(ray, length_px) - _doubt(ray, frame, limbs) for ray in found]
        looked.append(looks)
        grown = (
            []
            if beam is None
            else [_grow(beam, frame, times, found, looks, hands[frame], size, length_px, frame_s)]
        )
        if times[frame] - times[0] <= GRACE_S and found:
            grown.append(_begin(frame, found, looks, length_px, none))
        clear = [row for row in range(len(found)) if looks[row] >= CLEAR]
        if beam is not None and clear:
            best = int(np.argmax(beam.worth))
            again = _begin(frame, found, looks, length_px, beam.history[best])
            again.worth = np.array(looks) + beam.worth[best] + ANEW
            again.covariance[:, [1, 4], [1, 4]] = ANEW_RATE_SD**2
            again.covariance[:, [2, 5], [2, 5]] = ANEW_TURN_SD**2
            grown.append(again.rows(clear))
        if grown:
            beam = _keep(grown, frame)
    if beam is None:
        return none
    chosen = _trim(beam.history[int(np.argmax(beam.worth))], looked)
    return fill_gaps(times, rays, chosen, looked)


def _trim(chosen: npt.NDArray[np.intp], looked: Sequence[Sequence[float]]) -> npt.NDArray[np.intp]:
    """Drop the ends of a path where what it took did not look like a club on the whole.

    At a finish seen from behind the club may be hidden for good, and a path that fits anything
    would go on along a sleeve.
    """
    looks = np.array(
        [0.0 if take < 0 else looked[frame][take] + GOES_ON for frame, take in enumerate(chosen)]
    )
    kept = chosen.copy()
    forward = np.cumsum(looks)
    kept[int(np.argmax(forward)) + 1 :] = -1
    backward = np.cumsum(looks[::-1])[::-1]
    kept[: int(np.argmax(backward))] = -1
    # Between two stretches without a club a line or two that fit by chance are no sight of it.
    taken = np.concatenate([[False], kept >= 0, [False]])
    starts, stops = np.flatnonzero(np.diff(taken.astype(int))).reshape(-1, 2).T
    for start, stop in zip(starts[1:], stops[1:], strict=True):
        if stop < stops[-1] and looks[start:stop].sum() < ISLAND_LEAST:
            kept[start:stop] = -1
    return kept


def _evidence(ray: Ray, length_px: float) -> float:
    """Return the log odds that a ray's own looks give it."""
    shown = min(max((ray.room / length_px - START) / (1.0 - START), SHOWN_LEAST), 1.0)
    odds = (
        LOOKS_OF_NONE
        + (LOOKS_OF_SCORE * ray.score + LOOKS_OF_AGREED * ray.agreed) / shown
        + LOOKS_OF_FILLED * ray.agreed * length_px / ray.reach
        + LOOKS_OF_FAN * (ray.fan > 0)
    )
    return min(max(odds, LOOKS_LEAST), LOOKS_MOST)


def _doubt(ray: Ray, frame: int, limbs: Sequence[Limb]) -> float:
    """Return the log odds against a ray because it lies along an arm."""
    doubt = 0.0
    for arm in limbs:
        gap = abs((ray.angle - arm.angle[frame] + np.pi) % (2 * np.pi) - np.pi)
        if gap < ARM_RAD and ray.reach < ARM_REACH * arm.reach[frame]:
            doubt = ARM_ODDS
    return doubt


def _measure(ray: Ray, predicted: Array, length_px: float) -> tuple[Array, Array]:
    """Return the club's end in club lengths (track, 2) and its error for each prediction."""
    reach = ray.reach / length_px
    axis = np.array([np.cos(ray.angle), np.sin(ray.angle)])
    side = np.array([-axis[1], axis[0]])
    far = np.hypot(predicted[:, 0], predicted[:, 1])
    # A line may end early (a hand, a leg, a dark head): short says less than long.
    short = np.maximum(far - reach, 0.0)
    along_sd = REACH_SD + 0.7 * short
    out = np.full(len(far), reach)
    # Where it ends at the picture's edge it says nothing but at least that far: a club taken to
    # end there would seem to grow out of the edge, and to move at half of its speed.
    if ray.reach > ray.room - CUT_SHARE * length_px:
        out = np.full(len(far), max(reach, CUT_FAR))
        along_sd = np.full(len(far), CUT_SD)
    across_sd = np.hypot(np.maximum(far, out) * ray.angle_se, 0.01)
    error = along_sd[:, None, None] ** 2 * np.outer(axis, axis) + across_sd[
        :, None, None
    ] ** 2 * np.outer(side, side)
    return out[:, None] * axis, error


def _begin(
    frame: int,
    found: Sequence[Ray],
    looks: Sequence[float],
    length_px: float,
    none: npt.NDArray[np.intp],
) -> _Beam:
    count = len(found)
    state = np.zeros((count, 6))
    covariance = np.zeros((count, 6, 6))
    history = np.tile(none, (count, 1))
    worth = np.zeros(count)
    for row, ray in enumerate(found):
        place, error = _measure(ray, np.zeros((1, 2)), length_px)
        state[row, [0, 3]] = place[0]
        covariance[row][np.ix_([0, 3], [0, 3])] = error[0]
        covariance[row][[1, 4], [1, 4]] = START_RATE_SD**2
        covariance[row][[2, 5], [2, 5]] = 30.0**2
        history[row, frame] = row
        worth[row] = looks[row] - 0.3 * frame
    aside = np.array([ray.aside / length_px for ray in found])
    return _Beam(state, covariance, worth, np.zeros(count, bool), history, aside)


def _grow(
    beam: _Beam,
    frame: int,
    times: Array,
    found: Sequence[Ray],
    looks: Sequence[float],
    hands: Array,
    size: tuple[int, int],
    length_px: float,
    frame_s: float | None,
) -> _Beam:
    """Step every track to this frame and let it take each ray, or none."""
    dt = float(times[frame] - times[frame - 1])
    open_s = dt if frame_s is None else frame_s
    state, covariance = beam.state, beam.covariance
    far = np.hypot(state[:, 0], state[:, 3])
    rate = np.hypot(state[:, 1], state[:, 4])
    turn = np.clip(rate / np.maximum(far, 0.7), 0.0, 60.0)
    step = np.zeros((len(state), 6, 6))
    step[:, :3, :3] = step[:, 3:, 3:] = transition(turn, dt)
    added = np.zeros_like(step)
    added[:, :3, :3] = added[:, 3:, 3:] = process_noise(turn, dt)
    state = np.einsum("kij,kj->ki", step, state)
    covariance = step @ covariance @ step.transpose(0, 2, 1) + added
    place = state[:, [0, 3]]
    spread = covariance[:, [0, 3]][:, :, [0, 3]]
    beyond = np.maximum(np.hypot(place[:, 0], place[:, 1]) - 1.0, 0.0) / LENGTH_SD
    worth = beam.worth - 0.5 * np.minimum(beyond, 4.0) ** 2
    angle = np.arctan2(place[:, 1], place[:, 0])
    room = room_to_edge(np.tile(hands, (len(state), 1)), angle, size) / length_px
    nothing = np.where(beam.missed, STAYS_LOST_A_SECOND * dt, LOST)
    nothing = np.where(room < ROOM_LEAST, np.maximum(nothing, -0.1), nothing)
    back = np.where(beam.missed, BACK, 0.0)
    history = beam.history
    beams = [
        _Beam(state, covariance, worth + nothing, np.ones(len(state), bool), history, beam.aside)
    ]
    for index, ray in enumerate(found):
        where, error = _measure(ray, place, length_px)
        total = spread + error
        gap = where - place
        inverse = np.linalg.inv(total)
        far2 = np.einsum("ki,kij,kj->k", gap, inverse, gap)
        gain = covariance[:, :, [0, 3]] @ inverse
        density = np.exp(-0.5 * np.minimum(far2, 60.0)) / (
            2 * np.pi * np.sqrt(np.linalg.det(total))
        )
        odds = np.log(density * np.pi / RAYS_BY_CHANCE + 1e-12) + looks[index] + back
        # The shutter is open for one frame at the most: a slow club makes no wide fan, an arm does.
        turn_now = np.hypot(state[:, 1], state[:, 4]) / np.maximum(far, 0.3)
        odds = odds - FAN_ODDS * (ray.fan > 1.5 * turn_now * open_s + FAN_SLACK_RAD)
        # The hands' middle is off by about the same from frame to frame.
        aside = ray.aside / length_px
        jump = np.minimum(np.abs(aside - beam.aside) / ASIDE_JUMP_SD, 4.0)
        odds = odds - 0.5 * jump**2 - 0.5 * (aside / ASIDE_SD) ** 2
        near = far2 < GATE
        if not near.any():
            continue
        taken = history[near].copy()
        taken[:, frame] = index
        beams.append(
            _Beam(
                (state + np.einsum("kij,kj->ki", gain, gap))[near],
                (covariance - gain @ covariance[:, [0, 3]])[near],
                (worth + odds)[near],
                np.zeros(int(near.sum()), bool),
                taken,
                np.full(len(taken), aside),
            )
        )
    return _join(beams)


def _join(beams: Sequence[_Beam]) -> _Beam:
    return _Beam(
        np.concatenate([beam.state for beam in beams]),
        np.concatenate([beam.covariance for beam in beams]),
        np.concatenate([beam.worth for beam in beams]),
        np.concatenate([beam.missed for beam in beams]),
        np.concatenate([beam.history for beam in beams]),
        np.concatenate([beam.aside for beam in beams]),
    )


def _keep(beams: Sequence[_Beam], frame: int) -> _Beam:
    """Keep the best tracks; of those that agree on the last frames, only the best."""
    beam = _join(beams)
    order = np.argsort(-beam.worth)
    kept: list[int] = []
    seen: set[tuple[int, ...]] = set()
    last = beam.history[order, max(0, frame - 3) : frame + 1].tolist()
    for row, recent in zip(order, map(tuple, last), strict=True):
        if recent in seen and max(recent) >= 0:
            continue
        seen.add(recent)
        kept.append(int(row))
        if len(kept) == TRACKS_KEPT:
            break
    return beam.rows(kept)
