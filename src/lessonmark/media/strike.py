"""Moments at which a club may have met a ball, heard to better than a millisecond.

A strike is a click: over a wide band its sound rises within a fraction of a millisecond. Wind is
strong but low, speech rises over many milliseconds; so the sound is looked at above the wind, in
short steps, for how many decibels it jumps, and the jump's first sample is then picked as the
likeliest change point between two powers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import percentile_filter
from scipy.signal import butter, sosfilt

from lessonmark.media.sound import Sound

__all__ = ["Strike", "correct_for_distance", "find_strikes", "speed_of_sound"]

BAND_HZ = (2500.0, 14000.0)  # above wind and most of a voice, below what AAC keeps
STEP_S = 0.0005  # the envelope's step
AFTER_S = 0.003  # a strike holds its level at least so long
BEFORE_S = 0.020  # the quiet that it is compared with
BEFORE_PERCENTILE = 80  # of the steps before: one earlier tick does not hide a strike
LEAST_JUMP_DB = 9.0
APART_S = 0.060  # echoes and ringing of one strike are one strike
PICK_BEFORE_S = 0.006
PICK_AFTER_S = 0.006
LEVEL_S = 0.001  # a strike's full power is that of its loudest millisecond
BEFORE_SHARE = 0.1  # of that power; what may stand before an onset at most
INDEPENDENT_SHARE = 0.5  # of the samples, in a band of half the spectrum
LEAST_SE_S = 0.00015  # filter delay and the codec's smear; seen on the rendered clips
STRETCH_SE_S = 0.010  # container time by which software that stretches sound smears it
SILENCE = 1e-9  # power, full scale 1: below 16-bit rounding


@dataclass(frozen=True, kw_only=True)
class Strike:
    """A sudden sound that may be a club meeting a ball."""

    s: float  # onset on the clip's clock, real seconds
    se_s: float  # its standard error, s
    strength_db: float  # how far it jumps above the sound just before it
    level_db: float  # its power over its first 3 ms, dB re full scale, in the strike's band


def find_strikes(sound: Sound, *, near: tuple[float, float] | None = None) -> tuple[Strike, ...]:
    """List sudden sounds in the order of time; none is a fair answer.

    Parameters
    ----------
    sound : what `read_sound` gave.
    near : first and last moment wanted on the clip's clock, real seconds; None for all.

    Returns
    -------
    Strikes with the time at which the sound reached the camera. On a busy range there are several,
    the player's own often but not always the strongest: the club and the ball must choose.
    """
    rate = sound.rate_hz
    band = _band(sound.samples, rate)
    if band is None:
        return ()
    step = max(1, round(STEP_S * rate))
    jumps = _jumps_db(band, rate, step)
    found: list[Strike] = []
    for at in _peaks(jumps, round(APART_S * rate / step)):
        picked = _pick(band, at * step, rate)
        if picked is None:
            continue
        onset, se_samples = picked
        s = sound.start_s + onset / rate
        if near is not None and not near[0] <= s <= near[1]:
            continue
        level = band[int(onset) : int(onset) + round(AFTER_S * rate)]
        stretch = STRETCH_SE_S / sound.slowdown if sound.slowdown > 1 else 0.0
        found.append(
            Strike(
                s=s,
                se_s=math.hypot(se_samples / rate, LEAST_SE_S, stretch),
                strength_db=float(jumps[at]),
                level_db=10 * math.log10(float(np.mean(level**2)) + SILENCE),
            )
        )
    return tuple(sorted(found, key=lambda strike: strike.s))


def speed_of_sound(air_temperature_c: float) -> float:
    """Speed of sound in dry air, m/s: 331.3 sqrt(1 + T / 273.15), the usual ideal-gas form.

    343.2 at 20 degrees Celsius; humid air is faster by up to 0.4 % (from memory).
    """
    return 331.3 * math.sqrt(1 + air_temperature_c / 273.15)


def correct_for_distance(
    strike: Strike,
    distance_m: float,
    air_temperature_c: float,
    *,
    distance_se_m: float = 0.3,
    air_temperature_se_c: float = 5.0,
) -> Strike:
    """Move a strike back by the time that its sound took to the camera.

    Parameters
    ----------
    distance_m, distance_se_m : ball to camera, and how well that is known; a pace off by default.
    air_temperature_c, air_temperature_se_c : and how well that is known.

    Raises
    ------
    ValueError : a distance below 0, or air colder than -60 or hotter than 60 degrees Celsius.

    References
    ----------
    Error propagation: JCGM 100:2008 (GUM), eq. 10.
    """
    if not (math.isfinite(distance_m) and distance_m >= 0):
        raise ValueError(f"the distance to the camera must be 0 or more, got {distance_m} m")
    if not -60 <= air_temperature_c <= 60:
        raise ValueError(f"no air for golf: {air_temperature_c} degrees Celsius")
    speed = speed_of_sound(air_temperature_c)
    by_distance = distance_se_m / speed
    slope = 331.3**2 / (2 * 273.15 * speed)  # dc/dT, m/s a degree
    by_temperature = distance_m / speed**2 * slope * air_temperature_se_c
    return replace(
        strike,
        s=strike.s - distance_m / speed,
        se_s=math.hypot(strike.se_s, by_distance, by_temperature),
    )


def _band(samples: npt.NDArray[np.float32], rate: float) -> npt.NDArray[np.float64] | None:
    """Keep the strike's band; None where there is nothing in it.

    The filter runs forward only: run both ways it would ring before the onset.
    """
    high = min(BAND_HZ[1], 0.45 * rate)
    low = min(BAND_HZ[0], 0.25 * rate)
    if len(samples) < round(2 * BEFORE_S * rate):
        return None
    sos = butter(2, [low, high], btype="bandpass", fs=rate, output="sos")
    band = np.asarray(sosfilt(sos, samples.astype(np.float64)), dtype=np.float64)
    return band if float(np.max(band**2)) > SILENCE else None


def _jumps_db(band: npt.NDArray[np.float64], rate: float, step: int) -> npt.NDArray[np.float64]:
    """How many dB the power after each step's start stands above the power before it."""
    whole = len(band) // step
    power = np.square(band[: whole * step]).reshape(whole, step).mean(axis=1) + SILENCE
    after = max(1, round(AFTER_S * rate / step))
    before = max(2, round(BEFORE_S * rate / step))
    sums = np.concatenate([[0.0], np.cumsum(power)])
    ahead = np.minimum(np.arange(whole) + after, whole)
    level = (sums[ahead] - sums[:whole]) / (ahead - np.arange(whole))
    # The filter looks at [i - before, i), so that the step itself is not its own background.
    quiet = percentile_filter(
        power, BEFORE_PERCENTILE, size=before, origin=before - before // 2 - 1, mode="nearest"
    )
    quiet = np.concatenate([quiet[:1], quiet[:-1]])
    jumps = 10 * np.log10(level / np.maximum(quiet, np.median(power)))
    jumps[:before] = 0.0  # nothing before to compare with
    return np.asarray(jumps, dtype=np.float64)


def _peaks(jumps: npt.NDArray[np.float64], apart: int) -> list[int]:
    """Steps of the highest jumps, none within `apart` steps of a higher one."""
    open_ = jumps >= LEAST_JUMP_DB
    chosen: list[int] = []
    for at in np.argsort(-jumps, kind="stable"):
        if jumps[at] < LEAST_JUMP_DB:
            break
        if open_[at]:
            chosen.append(int(at))
            open_[max(0, at - apart) : at + apart + 1] = False
    return chosen


def _pick(band: npt.NDArray[np.float64], at: int, rate: float) -> tuple[float, float] | None:
    """Pick the onset near sample `at`: its place and standard error, in samples.

    Before the onset the samples are Gaussian with `BEFORE_SHARE` of the strike's own power, after
    it with all of it; the place is where that is most likely, weighed over all places. The share
    is no estimate of the quiet before, which is lower, but of the worst that may stand there: a
    codec spreads a click over the 3 to 5 ms before it, which a criterion that fits both powers
    (the usual AIC picker) takes for the click.
    """
    first = max(0, at - round(PICK_BEFORE_S * rate))
    piece = np.square(band[first : at + round(PICK_AFTER_S * rate)])
    window = round(LEVEL_S * rate)
    if len(piece) < 2 * window:
        return None
    sums = np.concatenate([[0.0], np.cumsum(piece)])
    levels = (sums[window:] - sums[:-window]) / window
    power = float(levels.max())
    end = int(levels.argmax()) + window  # the onset lies before the loudest stretch's end
    gain = 0.5 * (-math.log(BEFORE_SHARE) - piece[:end] / power * (1 / BEFORE_SHARE - 1))
    likelihood = np.concatenate([[0.0], np.cumsum(gain)]) * INDEPENDENT_SHARE
    weight = np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    k = np.arange(end + 1)
    mean = float(np.sum(weight * k))
    return first + mean, math.sqrt(float(np.sum(weight * (k - mean) ** 2)))
