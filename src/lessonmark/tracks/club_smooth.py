"""The club's vector through time, smoothed, with an honest error where it was not seen.

The vector from the hands to the head on the image is smoothed, not its angle: from down the line
the club points at the camera twice in a swing, where the angle leaps and the vector merely gets
short. The angle, its error and its rate follow from the vector.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr
from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother

from lessonmark.tracks.club_path import CUT_FAR, CUT_SD, CUT_SHARE, process_noise, transition
from lessonmark.tracks.club_rays import Ray

__all__ = ["ClubPath", "smooth_club"]

Array = npt.NDArray[np.float64]

ROUNDS = 3  # the turning rate that the model needs comes from the round before
NOISE_TIMES = (0.1, 0.3, 1.0, 3.0)  # of the process noise, the likeliest is taken
# Where the club was not seen its rate is free too: club lengths/s^2 of unforeseen acceleration, in
# squared turning rates, for so long. Found on rendered swings.
UNSEEN_SHARE, UNSEEN_LASTS_S = 0.75, 0.01
# A foreshortened club's line seems too long, in all looks of a moment alike: so far off, in club
# lengths, is the length that a prediction goes on with. Found on rendered swings.
UNSEEN_LENGTH_SD = 0.15
REACH_SD = 0.06  # club lengths, where a line ends against where the club ends
ERROR_LASTS_S = 0.03  # how long a ray's error stays alike; found on rendered swings
OUTLIER = 4.0  # standard errors from which a ray counts as something else
LEAST_TURN = 3.0  # rad/s
GUESS_SE_RAD = np.pi / np.sqrt(3)  # of an angle of which nothing is known: uniform on a circle


@dataclass(frozen=True, kw_only=True)
class ClubPath:
    """The club's vector hands to head at each time, window pixels, y down."""

    vector: Array  # (time, 2) px
    vector_cov: Array  # (time, 2, 2) px^2
    vector_rate: Array  # (time, 2) px/s
    angle: Array  # (time,) rad, atan2(dy, dx), unwrapped
    angle_se: Array  # (time,) rad
    angle_rate: Array  # (time,) rad/s
    seen: npt.NDArray[np.bool_]  # (time,) itself, or in the looks just before and after


def smooth_club(
    times: Array,
    rays: Sequence[Ray | None],
    *,
    length_px: float,
    looked: npt.NDArray[np.intp] | None = None,
) -> ClubPath:
    """Smooth the chosen rays.

    Parameters
    ----------
    times : (time,), s, ascending.
    rays : the club's ray at each time, None where it was not found; at least one is needed.
    length_px : the club's length, window px.
    looked : indices of the times that were looked at, ascending; None for all.

    References
    ----------
    Rauch, Tung, Striebel 1965, AIAA J 3:1445 (as in statsmodels' Kalman smoother).
    """
    seen = np.array([ray is not None for ray in rays])
    if not seen.any():
        raise ValueError("no ray to smooth")
    angles = np.array([np.nan if ray is None else ray.angle for ray in rays])
    errors = np.array([np.nan if ray is None else ray.angle_se for ray in rays])
    reaches = np.array([np.nan if ray is None else ray.reach / length_px for ray in rays])
    cut = np.array(
        [ray is not None and ray.reach > ray.room - CUT_SHARE * length_px for ray in rays]
    )
    looks = np.arange(len(times)) if looked is None else looked
    # Looks of one moment are wrong in the same way: their errors do not average out.
    alike = np.ones(len(times))
    alike[looks] = np.sqrt(1.0 + ERROR_LASTS_S / np.gradient(times[looks]))
    turn = np.full(len(times), LEAST_TURN)
    far = np.where(seen, np.where(cut, np.maximum(reaches, CUT_FAR), reaches), 0.0)
    scale = 1.0
    for turn_round in range(ROUNDS):
        measured, error = _measurements(angles, errors, reaches, cut, seen, far, alike)
        choices = NOISE_TIMES if turn_round == ROUNDS - 1 else (scale,)
        steps, noises = _steps(times, turn)
        filled = _filled(seen, looks)
        hidden = _hidden(times, turn, filled)
        fits = [
            _run(measured, error, steps, _scaled(noises, filled, times_noise) + hidden)
            for times_noise in choices
        ]
        likely = int(np.argmax([likelihood for likelihood, _, _ in fits]))
        _, state, covariance = fits[likely]
        place, rate = state[:, [0, 3]], state[:, [1, 4]]
        spread = covariance[:, [0, 3]][:, :, [0, 3]]
        far = np.hypot(place[:, 0], place[:, 1])
        turn = _turning(place, rate)
        if turn_round < ROUNDS - 1:
            seen = seen & ~_outliers(angles, errors, place, spread, seen)
    angle = np.unwrap(np.arctan2(place[:, 1], place[:, 0]))
    axis = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    side = np.stack([-axis[:, 1], axis[:, 0]], axis=1)
    filled = _filled(seen, looks)
    length_var = np.where(filled, 0.0, UNSEEN_LENGTH_SD**2)
    spread = spread + length_var[:, None, None] * axis[:, :, None] * axis[:, None, :]
    across = np.sqrt(np.einsum("ti,tij,tj->t", side, spread, side))
    # The error of a direction that may be anything levels off at the uniform's. A prediction longer
    # than the club is no surer for that.
    short = np.clip(far, 1e-6, 1.0)
    angle_se = np.arctan2(across, short) * (1 + across / short)
    # A short vector may as well point the other way: the club went through the camera's axis.
    along = np.sqrt(np.einsum("ti,tij,tj->t", axis, spread, axis))
    angle_se = np.minimum(np.hypot(angle_se, np.pi * np.sqrt(ndtr(-short / along))), GUESS_SE_RAD)
    turning = (place[:, 0] * rate[:, 1] - place[:, 1] * rate[:, 0]) / (far**2 + across**2)
    return ClubPath(
        vector=place * length_px,
        vector_cov=spread * length_px**2,
        vector_rate=rate * length_px,
        angle=angle,
        angle_se=angle_se,
        angle_rate=turning,
        seen=filled,
    )


def _filled(seen: npt.NDArray[np.bool_], looks: npt.NDArray[np.intp]) -> npt.NDArray[np.bool_]:
    """Count a time that was not looked at as seen where the looks before and after are."""
    every = np.arange(len(seen))
    after = np.searchsorted(looks, every).clip(0, len(looks) - 1)
    before = (np.searchsorted(looks, every, side="right") - 1).clip(0)
    return np.asarray(seen[looks[before]] & seen[looks[after]], np.bool_)


def _turning(place: Array, rate: Array) -> Array:
    """Return the rate at which the club turns in space, roughly: its speed over its length."""
    turn = np.hypot(rate[:, 0], rate[:, 1]) / np.maximum(np.hypot(place[:, 0], place[:, 1]), 0.75)
    return np.clip(turn, LEAST_TURN, 60.0)


def _measurements(
    angles: Array,
    errors: Array,
    reaches: Array,
    cut: npt.NDArray[np.bool_],
    seen: npt.NDArray[np.bool_],
    far: Array,
    alike: Array,
) -> tuple[Array, Array]:
    """Return the rays' ends in club lengths and their errors, NaN where there is none."""
    axis = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    side = np.stack([-axis[:, 1], axis[:, 0]], axis=1)
    # The picture's edge cuts a line off anywhere.
    reaches = np.where(cut, np.maximum(reaches, CUT_FAR), reaches)
    # A line that ends early says little about the length, its direction all the same.
    short = np.maximum(far - reaches, 0.0)
    along = np.where(cut, CUT_SD, REACH_SD + 1.5 * np.maximum(short - 0.04, 0.0))
    across = np.maximum(far, reaches) * errors * alike
    error = (
        along[:, None, None] ** 2 * axis[:, :, None] * axis[:, None, :]
        + across[:, None, None] ** 2 * side[:, :, None] * side[:, None, :]
    )
    measured = np.where(seen[:, None], reaches[:, None] * axis, np.nan)
    error = np.where(seen[:, None, None], error, np.eye(2))
    return measured, error


def _steps(times: Array, turn: Array) -> tuple[Array, Array]:
    """Return how the state goes from each time to the next and what that adds, (time - 1, 3, 3)."""
    middle = 0.5 * (turn[:-1] + turn[1:])
    each = [(np.asarray(m), float(dt)) for m, dt in zip(middle, np.diff(times), strict=True)]
    return (
        np.stack([transition(m, dt) for m, dt in each]),
        np.stack([process_noise(m, dt) for m, dt in each]),
    )


def _scaled(noises: Array, seen: npt.NDArray[np.bool_], times_noise: float) -> Array:
    """Scale the process noise: how calm a club was while seen says nothing of it unseen."""
    scale = np.where(seen[:-1] & seen[1:], times_noise, max(times_noise, 1.0))
    return np.asarray(noises * scale[:, None, None], np.float64)


def _hidden(times: Array, turn: Array, seen: npt.NDArray[np.bool_]) -> Array:
    """Return what a step adds where the club was not seen, (time - 1, 3, 3): white acceleration."""
    t = np.diff(times)
    strength = (UNSEEN_SHARE * (0.5 * (turn[:-1] + turn[1:])) ** 2) ** 2 * UNSEEN_LASTS_S
    strength = np.where(seen[:-1] & seen[1:], 0.0, strength)
    added = np.zeros((len(t), 3, 3))
    added[:, 0, 0] = strength * t**3 / 3
    added[:, 0, 1] = added[:, 1, 0] = strength * t**2 / 2
    added[:, 1, 1] = strength * t
    return added


def _run(measured: Array, error: Array, steps: Array, noises: Array) -> tuple[float, Array, Array]:
    """Run the smoother; returns the log likelihood, the state (time, 6) and its covariance."""
    count = len(measured)
    step = np.zeros((6, 6, count))
    added = np.zeros((6, 6, count))
    step[:3, :3, :-1] = step[3:, 3:, :-1] = np.moveaxis(steps, 0, -1)
    added[:3, :3, :-1] = added[3:, 3:, :-1] = np.moveaxis(noises, 0, -1)
    step[:, :, -1] = np.eye(6)
    model = KalmanSmoother(k_endog=2, k_states=6, k_posdef=6)
    model.bind(np.ascontiguousarray(measured))
    design = np.zeros((2, 6))
    design[0, 0] = design[1, 3] = 1.0
    model["design"] = design
    model["obs_cov"] = np.ascontiguousarray(np.moveaxis(error, 0, -1))
    model["transition"] = step
    model["selection"] = np.eye(6)
    model["state_cov"] = added
    model.initialize_known(np.zeros(6), np.diag([1.0, 9.0, 900.0] * 2))
    # Rays' errors leave exact symmetry by rounding only; the smoother works by whole matrices.
    result = model.smooth()
    return (
        float(np.sum(result.llf_obs)),
        np.ascontiguousarray(result.smoothed_state.T),
        np.ascontiguousarray(np.moveaxis(result.smoothed_state_cov, -1, 0)),
    )


def _outliers(
    angles: Array, errors: Array, place: Array, spread: Array, seen: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Find rays whose direction the smooth path does not bear out."""
    far = np.hypot(place[:, 0], place[:, 1])
    angle = np.arctan2(place[:, 1], place[:, 0])
    side = np.stack([-np.sin(angle), np.cos(angle)], axis=1)
    across = np.einsum("ti,tij,tj->t", side, spread, side) / np.maximum(far, 0.05) ** 2
    gap = np.abs(np.mod(angles - angle + np.pi, 2 * np.pi) - np.pi)
    beyond: npt.NDArray[np.bool_] = seen & (
        gap > OUTLIER * np.sqrt(np.where(seen, errors, 0.0) ** 2 + across) + np.radians(0.5)
    )
    return beyond
