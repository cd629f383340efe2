"""The smoother against movements whose truth is known, and a reference library's filter."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, filtfilt

from lessonmark.tracks.smoother import cutoff_hz, smooth_path, white_noise_sd

FPS = 120.0


def noisy_circle(*, turns_a_second: float, noise_px: float, seed: int = 3):
    times = np.arange(0, 1.5, 1 / FPS)
    angle = 2 * np.pi * turns_a_second * times
    truth = 200 * np.column_stack([np.cos(angle), np.sin(angle)]) + 500
    rng = np.random.default_rng(seed)
    return times, truth, truth + rng.normal(0, noise_px, truth.shape)


def spread_of(count: int) -> np.ndarray:
    return np.repeat(np.eye(2)[None], count, axis=0)


def test_smoothing_comes_nearer_to_the_truth():
    times, truth, seen = noisy_circle(turns_a_second=1.0, noise_px=3.0)
    path = smooth_path(times, np.arange(len(times)), seen, spread_of(len(times)), cutoff=8)
    raw, smooth = np.std(seen - truth), np.std(path.position - truth)
    assert smooth < 0.6 * raw


def test_fast_wrists_stay_fast():
    # 3 turns a second at 200 px: 3770 px/s, faster than any hand in a 1080p picture.
    times, truth, seen = noisy_circle(turns_a_second=3.0, noise_px=0.5)
    path = smooth_path(times, np.arange(len(times)), seen, spread_of(len(times)), cutoff=14)
    middle = slice(20, -20)
    speed = np.hypot(*path.velocity[middle].T)
    assert speed == pytest.approx(2 * np.pi * 3 * 200, rel=0.03)
    assert np.abs(path.position - truth)[middle].max() < 2.0


def test_agrees_with_a_zero_lag_butterworth_of_the_same_cutoff():
    # scipy's filtfilt with a Butterworth filter is movement science's usual smoother (Winter 2009,
    # ch. 3). Its two passes lower the cut-off, hence the 0.802 (Robertson & Dowling 2003).
    times, _, seen = noisy_circle(turns_a_second=1.0, noise_px=2.0)
    b, a = butter(2, 8 / 0.802 / (FPS / 2))
    reference = filtfilt(b, a, seen, axis=0)
    path = smooth_path(times, np.arange(len(times)), seen, spread_of(len(times)), cutoff=8)
    middle = slice(20, -20)
    assert np.std((path.position - reference)[middle]) < 0.8


def test_stated_error_is_the_error_made():
    inside = []
    for seed in range(20):
        times, truth, seen = noisy_circle(turns_a_second=0.5, noise_px=2.0, seed=seed)
        path = smooth_path(times, np.arange(len(times)), seen, spread_of(len(times)), cutoff=8)
        off = path.position - truth
        sd = np.sqrt(np.diagonal(path.covariance, axis1=1, axis2=2))
        inside.append(np.abs(off) < 1.96 * sd)
    assert np.mean(inside) == pytest.approx(0.95, abs=0.04)


def test_frames_left_out_are_filled_with_a_larger_error():
    times, truth, seen = noisy_circle(turns_a_second=1.0, noise_px=1.0)
    looks = np.array([i for i in range(len(times)) if not 80 <= i < 90])
    path = smooth_path(times, looks, seen[looks], spread_of(len(looks)), cutoff=8)
    assert np.abs(path.position[80:90] - truth[80:90]).max() < 15
    assert path.covariance[85, 0, 0] > 4 * path.covariance[60, 0, 0]


def test_an_unsure_look_counts_less():
    times, truth, seen = noisy_circle(turns_a_second=0.5, noise_px=0.5)
    seen[90] += 40
    spread = spread_of(len(times))
    believed = smooth_path(times, np.arange(len(times)), seen, spread, cutoff=8)
    spread[90] *= 1e4
    doubted = smooth_path(times, np.arange(len(times)), seen, spread, cutoff=8)
    assert np.hypot(*(doubted.position - truth)[90]) < 1.0
    assert np.hypot(*(believed.position - truth)[90]) > 3.0


def test_uneven_frame_times_are_obeyed():
    rng = np.random.default_rng(1)
    times = np.cumsum(rng.uniform(0.5, 1.5, 180) / FPS)
    truth = np.column_stack([300 * times**2, 100 * times])
    path = smooth_path(times, np.arange(180), truth, spread_of(180), cutoff=8)
    assert np.abs(path.position - truth).max() < 0.5
    assert path.velocity[90] == pytest.approx([600 * times[90], 100], rel=0.02)


@pytest.mark.parametrize("noise", [0.5, 2.0], ids=lambda n: f"noise={n:g}")
def test_noise_is_read_off_a_moving_path(noise):
    _, _, seen = noisy_circle(turns_a_second=1.0, noise_px=noise)
    assert white_noise_sd(seen) == pytest.approx(noise, rel=0.2)


def test_cutoff_is_limited_by_the_frame_rate():
    assert cutoff_hz("left_wrist", 120) == 14
    assert cutoff_hz("left_hip", 120) == 8
    assert cutoff_hz("left_wrist", 30) == pytest.approx(0.7 * 15)
