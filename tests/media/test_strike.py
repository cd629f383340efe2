"""Onsets are right to a millisecond, and say how far they can be trusted."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from lessonmark.media import Sound, Strike, correct_for_distance, find_strikes
from lessonmark.media.strike import speed_of_sound

RATE = 48000


def as_sound(samples: np.ndarray, *, start_s: float = 0.0) -> Sound:
    return Sound(samples=samples.astype(np.float32), rate_hz=RATE, start_s=start_s, slowdown=1.0)


def quiet(seconds: float, rng: np.random.Generator) -> np.ndarray:
    return 0.001 * rng.standard_normal(round(seconds * RATE))


def add_strike(samples: np.ndarray, at_s: float, rng: np.random.Generator, level: float = 0.5):
    """A burst of noise that starts within one sample and fades in 5 ms."""
    start = math.ceil(at_s * RATE)
    n = min(round(0.08 * RATE), len(samples) - start)
    samples[start : start + n] += (
        level * rng.standard_normal(n) * np.exp(-np.arange(n) / (0.005 * RATE))
    )


def wind(n: int, rng: np.random.Generator) -> np.ndarray:
    """Pink noise, damped above 400 Hz, RMS 1."""
    hz = np.fft.rfftfreq(n, 1 / RATE)
    size = np.zeros_like(hz)
    size[hz > 15] = 1 / hz[hz > 15] / (1 + (hz[hz > 15] / 400) ** 2)
    noise = np.fft.irfft(size * np.exp(2j * np.pi * rng.random(len(hz))), n)
    return noise / noise.std()


def voice(n: int, rng: np.random.Generator) -> np.ndarray:
    """Syllables of 200 ms that rise over 30 ms, some ending in a hiss; peak 1."""
    out = np.zeros(n)
    hiss = butter(2, [3000, 8000], btype="bandpass", fs=RATE, output="sos")
    for start in range(0, n - RATE // 2, round(0.35 * RATE)):
        t = np.arange(round(0.2 * RATE)) / RATE
        pitch = rng.uniform(90, 220)
        tone = sum(np.sin(2 * np.pi * k * pitch * t) / k for k in range(1, 20))
        out[start : start + len(t)] += tone * np.minimum(1, np.minimum(t, 0.2 - t) / 0.03)
        t = np.arange(round(0.09 * RATE)) / RATE
        noise = sosfilt(hiss, rng.standard_normal(len(t)))
        at = start + round(0.2 * RATE)
        out[at : at + len(t)] += noise * np.minimum(1, np.minimum(t, 0.09 - t) / 0.02)
    return out / np.abs(out).max()


def errors_ms(spoil, *, times=60) -> tuple[np.ndarray, np.ndarray]:
    """Errors and standard errors of the strike nearest to the truth, over many seeds."""
    errors, ses = [], []
    for seed in range(times):
        rng = np.random.default_rng(seed)
        samples = quiet(1.6, rng)
        truth = rng.uniform(0.5, 1.1)
        add_strike(samples, truth, rng)
        found = find_strikes(as_sound(spoil(samples, rng)), near=(truth - 0.02, truth + 0.02))
        if found:
            nearest = min(found, key=lambda strike: abs(strike.s - truth))
            errors.append(1e3 * (nearest.s - truth))
            ses.append(1e3 * nearest.se_s)
    return np.array(errors), np.array(ses)


SPOILS = {
    "quiet": lambda x, rng: x,
    "wind": lambda x, rng: np.clip(x + 0.3 * wind(len(x), rng), -1, 1),
    "voice": lambda x, rng: np.clip(x + 0.2 * voice(len(x), rng), -1, 1),
    "hiss": lambda x, rng: x + 0.03 * rng.standard_normal(len(x)),
}


@pytest.mark.parametrize("name", SPOILS)
def test_the_onset_is_right_to_a_millisecond(name):
    errors, ses = errors_ms(SPOILS[name])
    assert len(errors) >= 57  # of 60
    assert np.sqrt(np.mean(errors**2)) < 0.5
    assert np.mean(np.abs(errors) < 1) >= 0.95
    assert np.mean(np.abs(errors) < 2 * ses) >= 0.9


def test_neighbours_strikes_are_listed_in_the_order_of_time():
    rng = np.random.default_rng(11)
    samples = quiet(2.0, rng)
    truth = [0.3, 0.75, 1.2, 1.3]
    for at, level in zip(truth, [0.05, 0.5, 0.1, 0.05], strict=True):
        add_strike(samples, at, rng, level)
    found = find_strikes(as_sound(samples))
    assert [strike.s for strike in found] == pytest.approx(truth, abs=0.001)
    assert max(found, key=lambda strike: strike.level_db).s == pytest.approx(0.75, abs=0.001)
    assert max(found, key=lambda strike: strike.strength_db).s == pytest.approx(0.75, abs=0.001)


def test_only_strikes_near_are_given():
    rng = np.random.default_rng(12)
    samples = quiet(2.0, rng)
    add_strike(samples, 0.4, rng)
    add_strike(samples, 1.4, rng)
    found = find_strikes(as_sound(samples), near=(1.0, 1.8))
    assert [strike.s for strike in found] == pytest.approx([1.4], abs=0.001)


def test_a_sound_that_starts_late_moves_its_strikes():
    rng = np.random.default_rng(13)
    samples = quiet(1.0, rng)
    add_strike(samples, 0.5, rng)
    early, late = (find_strikes(as_sound(samples, start_s=s))[0].s for s in (0.0, 0.25))
    assert late - early == pytest.approx(0.25, abs=1e-9)


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros(0),
        np.zeros(100),
        np.zeros(RATE),
        0.01 * np.random.default_rng(1).standard_normal(RATE),
        np.full(RATE, 0.3),
        0.5 * np.sin(2 * np.pi * 440 * np.arange(RATE) / RATE) * np.hanning(RATE),
    ],
    ids=["none", "too short", "silence", "steady hiss", "constant", "swelling tone"],
)
def test_sound_without_a_sudden_rise_has_no_strikes(samples):
    assert find_strikes(as_sound(samples)) == ()


# 331.3 sqrt(1 + T / 273.15): computed values of the project's list of references, section 7;
# 343.20 m/s at 20 degrees is the figure usually printed.
@pytest.mark.parametrize(
    ("celsius", "speed"), [(0, 331.300), (10, 337.310), (20, 343.215), (30, 349.019)]
)
def test_the_speed_of_sound(celsius, speed):
    assert speed_of_sound(celsius) == pytest.approx(speed, abs=0.001)


@pytest.mark.parametrize(
    ("distance", "celsius", "delay_ms"),
    [(4, 0, 12.074), (4, 10, 11.859), (4, 20, 11.655), (4, 30, 11.461), (3, 20, 8.741)],
)
def test_the_camera_hears_late_by_its_distance(distance, celsius, delay_ms):
    heard = Strike(s=1.5, se_s=0.0002, strength_db=30, level_db=-10)
    struck = correct_for_distance(heard, distance, celsius)
    assert 1e3 * (heard.s - struck.s) == pytest.approx(delay_ms, abs=0.001)


def test_the_corrections_error_is_that_of_a_simulation():
    heard = Strike(s=1.5, se_s=0.0002, strength_db=30, level_db=-10)
    got = correct_for_distance(heard, 5, 15, distance_se_m=0.5, air_temperature_se_c=8)
    rng = np.random.default_rng(4)
    n = 200_000
    drawn = rng.normal(1.5, 0.0002, n) - rng.normal(5, 0.5, n) / (
        331.3 * np.sqrt(1 + rng.normal(15, 8, n) / 273.15)
    )
    assert got.se_s == pytest.approx(drawn.std(), rel=0.02)
    assert got.s == pytest.approx(drawn.mean(), abs=2e-5)


@pytest.mark.parametrize(("distance", "celsius"), [(-1, 20), (math.nan, 20), (4, 100)])
def test_impossible_air_and_distance_are_refused(distance, celsius):
    heard = Strike(s=1.5, se_s=0.0002, strength_db=30, level_db=-10)
    with pytest.raises(ValueError, match=r"distance|air"):
        correct_for_distance(heard, distance, celsius)
