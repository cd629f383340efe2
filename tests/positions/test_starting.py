"""When a movement starts, against starts in closed form that are not the model's own."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ndtr

from lessonmark.positions.rest import SHAFT, shaft_last_still
from lessonmark.positions.signals import Trace
from lessonmark.positions.starting import start_from_rest
from lessonmark.words import View

SPEED = SHAFT[View.FACE_ON].still_rad_s
START_S = 0.8


def minimum_jerk(t):
    """Turn by 140 deg in 0.8 s (Flash and Hogan 1985): 10 u^3 - 15 u^4 + 6 u^5."""
    u = np.clip((t - START_S) / 0.8, 0.0, 1.0)
    return math.radians(140) * u**3 * (10 - 15 * u + 6 * u**2)


def softened(t):
    """The integral of a rate that rises on a normal distribution: no power of the time at all."""
    z = (t - START_S - 0.22) / 0.07
    return 4.0 * 0.07 * (z * ndtr(z) + np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi))


def abrupt(t):
    """A constant acceleration of 25 rad/s^2."""
    return 12.5 * np.clip(t - START_S, 0.0, None) ** 2


SHAPES = {"minimum jerk": minimum_jerk, "softened": softened, "abrupt": abrupt}


def starts_at(shape):
    def over(t):
        return float(shape(t + 1e-5) - shape(t - 1e-5)) / 2e-5 - SPEED

    return brentq(over, START_S - 0.2, START_S + 0.25)


def alike(rng, n, step, lasts=0.03):
    keep = math.exp(-step / lasts)
    out = [rng.standard_normal()]
    for _ in range(n - 1):
        out.append(keep * out[-1] + math.sqrt(1 - keep**2) * rng.standard_normal())
    return np.array(out)


def watched(shape, *, fps=120.0, noise_deg=0.0, seed=0):
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 1.5, 1 / fps) + rng.uniform(0, 1 / fps)
    error = math.radians(noise_deg) * alike(rng, len(t), 1 / fps)
    return Trace(t=t, value=shape(t) + error, se=np.full(len(t), 0.005))


@pytest.mark.parametrize("fps", [60.0, 120.0, 240.0])
@pytest.mark.parametrize("name", SHAPES)
def test_no_start_is_moved_by_more_than_a_few_ms_by_its_shape(name, fps):
    shape = SHAPES[name]
    found = shaft_last_still(watched(shape, fps=fps), view=View.FACE_ON, about_s=START_S + 0.3)
    assert found is not None
    assert abs(found.s - starts_at(shape)) < 0.003


@pytest.mark.parametrize("noise_deg", [0.05, 0.2])
def test_the_error_holds_two_times_in_three(noise_deg):
    hits, errors = [], []
    for seed in range(24):
        shape = list(SHAPES.values())[seed % 2]
        seen = watched(shape, noise_deg=noise_deg, seed=seed)
        found = shaft_last_still(seen, view=View.FACE_ON, about_s=START_S + 0.3)
        assert found is not None
        error = found.s - starts_at(shape)
        hits.append(abs(error) <= found.se)
        errors.append(error)
    assert np.mean(hits) == pytest.approx(0.68, abs=0.25)
    assert abs(np.mean(errors)) < 0.006


def test_a_mirrored_shaft_starts_at_the_same_time():
    seen = watched(minimum_jerk, noise_deg=0.05, seed=3)
    turned = Trace(t=seen.t, value=math.pi - seen.value, se=seen.se)
    a, b = (shaft_last_still(x, view=View.FACE_ON, about_s=START_S + 0.3) for x in (seen, turned))
    assert a.s == pytest.approx(b.s, abs=1e-9)


def test_what_does_not_move_does_not_start():
    t = np.arange(0.0, 1.0, 1 / 120)
    moved = 0.001 * alike(np.random.default_rng(4), len(t), 1 / 120)
    assert start_from_rest(t, moved, 0.001, speed=SPEED) is None
