"""When the shaft is first still, against a minimum-jerk turn whose rate is known."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy.optimize import brentq

from lessonmark.positions.ends import find_stop
from lessonmark.positions.rest import SHAFT_STOP, shaft_first_still
from lessonmark.positions.signals import Trace
from lessonmark.words import View

TURN_S, TURNED_RAD, ENDS_S = 0.7, 3.5, 1.2


def angle(t: np.ndarray) -> np.ndarray:
    """Turn by minimum jerk (Flash and Hogan 1985): 10 u^3 - 15 u^4 + 6 u^5, at rest from 1.2 s."""
    u = np.clip((t - (ENDS_S - TURN_S)) / TURN_S, 0.0, 1.0)
    return TURNED_RAD * u**3 * (10 - 15 * u + 6 * u**2)


def stops_at() -> float:
    def rate(t: float) -> float:
        u = (t - (ENDS_S - TURN_S)) / TURN_S
        return TURNED_RAD / TURN_S * 30 * u**2 * (1 - u) ** 2

    return float(brentq(lambda t: rate(t) - SHAFT_STOP.still_rad_s, ENDS_S - 0.2, ENDS_S))


def trace(fps: float, noise_rad: float = 0.0) -> Trace:
    t = np.arange(0.0, 1.8, 1 / fps)
    value = angle(t) + np.random.default_rng(1).normal(0, noise_rad, len(t))
    return Trace(t=t, value=value, se=np.full(len(t), 0.005))


@pytest.mark.parametrize("fps", [60.0, 120.0, 240.0])
@pytest.mark.parametrize("guess_off_s", [-0.08, 0.0, 0.05])
def test_the_shaft_stops_when_it_turns_slower_than_the_limit(fps, guess_off_s):
    found = shaft_first_still(trace(fps, 0.002), about_s=stops_at() + guess_off_s)
    assert found is not None
    assert found.s == pytest.approx(stops_at(), abs=0.025)
    assert abs(found.s - stops_at()) < 2.5 * found.se


def club_track(seen: float) -> xr.Dataset:
    t = np.arange(0.0, 1.8, 1 / 120)
    return xr.Dataset(
        {
            "shaft_angle": ("time", angle(t)),
            "shaft_angle_se": ("time", np.full(len(t), 0.005)),
            "shaft_seen": ("time", np.full(len(t), seen)),
        },
        coords={"time": t, "keypoint": ["clubhead"]},
    )


def stop_of(track: xr.Dataset) -> tuple[object, str] | None:
    return find_stop(
        track,
        view=View.FACE_ON,
        about_s=stops_at() - 0.05,
        between_s=(0.5, 1.8),
        torso_px=200.0,
        px_per_m=400.0,
    )


def test_a_seen_shaft_tells_the_finish_from_the_front():
    found = stop_of(club_track(1.0))
    assert found is not None
    time, how = found
    assert how == "shaft"
    assert time.s == pytest.approx(stops_at(), abs=0.025)


def test_a_predicted_club_tells_nothing_and_the_body_does():
    found = stop_of(club_track(0.0))
    assert found is not None
    time, how = found
    assert how == "body"
    assert time.s == pytest.approx(stops_at() - 0.05)
