"""Sounds that a range has besides the strike: wind, voices, neighbours. For benches alone."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, sosfilt

Samples = npt.NDArray[np.float64]


def wind(n: int, rate: float, rng: np.random.Generator) -> Samples:
    """Pink noise, damped by 12 dB an octave above 400 Hz, in gusts; RMS 1."""
    hz = np.fft.rfftfreq(n, 1 / rate)
    heard = hz > 15
    size = np.zeros_like(hz)
    size[heard] = 1 / hz[heard] / (1 + (hz[heard] / 400) ** 2)
    noise = np.fft.irfft(size * np.exp(2j * np.pi * rng.random(len(hz))), n)
    gusts = 0.6 + 0.4 * np.sin(2 * np.pi * (0.7 * np.arange(n) / rate + rng.random()))
    noise *= gusts
    return noise / np.sqrt(np.mean(noise**2))


def voices(n: int, rate: float, rng: np.random.Generator) -> Samples:
    """Syllables without a pause longer than 0.3 s: voiced, hissed and popped; RMS 1 while on."""
    out = np.zeros(n)
    hiss = butter(4, [3000, 9000], btype="bandpass", fs=rate, output="sos")
    pop = butter(2, [1500, 6000], btype="bandpass", fs=rate, output="sos")
    at = 0.0
    while True:
        length = rng.uniform(0.08, 0.3)
        start, t = round(at * rate), np.arange(round(length * rate)) / rate
        if start + len(t) + round(0.1 * rate) >= n:
            break
        pitch = rng.uniform(90, 240) * (1 + 0.1 * np.sin(2 * np.pi * 3 * t))
        phase, formant = np.cumsum(pitch) / rate, rng.uniform(500, 2500)
        tone = np.zeros(len(t))
        for k in range(1, 30):
            loud = np.exp(-(((k * pitch - formant) / 1500) ** 2)) / k**1.2
            tone += loud * np.sin(2 * np.pi * k * phase)
        out[start : start + len(t)] += tone * np.clip(
            np.minimum(t / 0.03, (length - t) / 0.05), 0, 1
        )
        if rng.random() < 0.6:  # a hissed end, rising over 20 ms
            s = np.arange(round(0.09 * rate)) / rate
            noise = sosfilt(hiss, rng.standard_normal(len(s)))
            end = start + len(t)
            out[end : end + len(s)] += (
                2 * noise * np.minimum(1, np.minimum(s / 0.02, (0.09 - s) / 0.03))
            )
        if rng.random() < 0.4 and start > 0.02 * rate:  # a popped start, rising over 2 ms
            s = np.arange(round(0.015 * rate)) / rate
            noise = sosfilt(pop, rng.standard_normal(len(s)))
            out[start - len(s) : start] += noise * np.minimum(1, s / 0.002) * np.exp(-s / 0.006)
        at += length + rng.uniform(0.05, 0.3)
    return out / np.sqrt(np.mean(out[np.abs(out) > 1e-6] ** 2))


def neighbours(n: int, rate: float, rng: np.random.Generator, count: int = 4) -> Samples:
    """Other players' strikes, each with three echoes; RMS 0.05 to 0.3 over their first 3 ms."""
    out = np.zeros(n)
    for _ in range(count):
        m = round(0.08 * rate)
        dull = butter(2, rng.uniform(4000, 12000), fs=rate, output="sos")
        burst = sosfilt(dull, rng.standard_normal(m) * np.exp(-np.arange(m) / (0.004 * rate)))
        heard = burst.copy()
        for _ in range(3):
            late = round(rng.uniform(0.01, 0.04) * rate)
            heard[late:] += rng.uniform(0.1, 0.4) * burst[: m - late]
        heard /= np.sqrt(np.mean(heard[: round(0.003 * rate)] ** 2))
        start = round(rng.uniform(0.1, n / rate - 0.1) * rate)
        heard = heard[: n - start]
        out[start : start + len(heard)] += 10 ** rng.uniform(-1.3, -0.5) * heard
    return out
