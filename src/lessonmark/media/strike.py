"""Moments at which a club may have met a ball, heard to better than a millisecond.

A strike is a click: over a wide band its sound rises within a fraction of a millisecond. Wind is
strong but low, speech rises over many milliseconds; so the sound is looked at above the wind, in
short steps, for how many decibels it jumps, and the jump's first sample is then picked as the
likeliest change point between two powers.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.ndimage import percentile_filter
from scipy.signal import butter, sosfilt

from lessonmark.media.sound import Sound

__all__ = ["Strike", "correct_for_distance", "find_strikes", "speed_of_sound"]

HEARD_HZ = (2500.0, 14000.0)  # where strikes are looked for: above wind and most of a voice
# Where an onset is timed. Codecs spread a click over the 3 to 5 ms before it, but only its higher
# part: on the rendered clips (AAC) they fill the time before it to -3 dB of the click above
# 5 kHz, and to -10 to -25 dB below. The higher band serves where wind or voices fill the lower.
TIMED_HZ = ((1200.0, 5000.0), (5000.0, 14000.0))
STEP_S = 0.0005  # the envelope's step
AFTER_S = 0.003  # a strike holds its level at least so long
BEFORE_S = 0.020  # the quiet that it is compared with
BEFORE_PERCENTILE = 80  # of the steps before: one earlier tick does not hide a strike
LEAST_JUMP_DB = 6.0
APART_S = 0.060  # echoes and ringing of one strike are one strike
SAME_S = 0.015  # rises in two bands so close are one sound's
AROUND_S = 2.0  # what else is heard this long before and after; a voice has many onsets
AROUND_PERCENTILE = 90
PICK_BEFORE_S = 0.006
PICK_AFTER_S = 0.006
LEVEL_S = 0.001  # a strike's full power is that of its loudest millisecond
BEFORE_SHARE = 0.1  # of that power may stand before an onset, be it a codec's smear
CROWDED_SHARE = 0.3  # a band with so much before the onset cannot time it well
CROWDED_SE_S = 0.002  # times that share: how far other sound pulls the onset, seen in the bench
INDEPENDENT_SHARE = 0.2  # of the samples, in a band of a fifth of the spectrum
LEAST_SE_S = 0.00015  # filter delay and the codec's smear; seen on the rendered clips
STRETCH_SE_S = 0.010  # container time by which software that stretches sound smears it
SILENCE = 1e-9  # power, full scale 1: below 16-bit rounding


@dataclass(frozen=True, kw_only=True)
class Strike:
    """A sudden sound that may be a club meeting a ball."""

    s: float  # onset on the clip's clock, real seconds
    se_s: float  # its standard error, s
    strength_db: float  # how far it tops most of what is heard around it
    level_db: float  # power over its first 3 ms between 2.5 and 14 kHz, dB re full scale


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
    heard = _band(sound.samples, rate, HEARD_HZ)
    if heard is None:
        return ()
    timed = [band for hz in TIMED_HZ if (band := _band(sound.samples, rate, hz)) is not None]
    step = max(1, round(STEP_S * rate))
    power = _step_power(heard, step)
    rises = _rises(power, rate / step)
    for band in timed[:1]:  # a hissed s hides a strike from the ear, but not there
        rises += [
            at
            for at in _rises(_step_power(band, step), rate / step)
            if all(abs(at - other) * step > SAME_S * rate for other in rises)
        ]
    found: list[Strike] = []
    for at in rises:
        onset, se_samples = _time_onset(timed, at * step, rate)
        s = sound.start_s + onset / rate
        if near is not None and not near[0] <= s <= near[1]:
            continue
        level_db, strength_db = _loudness(power, at, rate / step)
        stretch = STRETCH_SE_S / sound.slowdown if sound.slowdown > 1 else 0.0
        found.append(
            Strike(
                s=s,
                se_s=math.hypot(se_samples / rate, LEAST_SE_S, stretch),
                strength_db=strength_db,
                level_db=level_db,
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


def _band(
    samples: npt.NDArray[np.float32], rate: float, band_hz: tuple[float, float]
) -> npt.NDArray[np.float64] | None:
    """Keep one band; None where there is nothing in it or the recording cannot hold it.

    The filter runs forward only: run both ways it would ring before the onset.
    """
    low, high = band_hz[0], min(band_hz[1], 0.45 * rate)
    if high < 1.5 * low or len(samples) < round(2 * BEFORE_S * rate):
        return None
    sos = butter(2, [low, high], btype="bandpass", fs=rate, output="sos")
    band = np.asarray(sosfilt(sos, samples.astype(np.float64)), dtype=np.float64)
    return band if float(np.max(band**2)) > SILENCE else None


def _step_power(band: npt.NDArray[np.float64], step: int) -> npt.NDArray[np.float64]:
    whole = len(band) // step
    squares = np.square(band[: whole * step]).reshape(whole, step)
    return np.asarray(squares.mean(axis=1) + SILENCE, dtype=np.float64)


def _rises(power: npt.NDArray[np.float64], steps_a_second: float) -> list[int]:
    """Steps at which the power jumps, the greatest rise first, none close to a greater one.

    A jump is judged against the quiet before it, in dB; but of two that lie close together the
    one that adds more power stays, or a breath in silence would hide the strike that follows.
    """
    n = len(power)
    after = max(1, round(AFTER_S * steps_a_second))
    before = max(2, round(BEFORE_S * steps_a_second))
    apart = round(APART_S * steps_a_second)
    sums = np.concatenate([[0.0], np.cumsum(power)])
    ahead = np.minimum(np.arange(n) + after, n)
    level = (sums[ahead] - sums[:n]) / (ahead - np.arange(n))
    # The filter looks at [i - before, i), so that the step itself is not its own background.
    quiet = percentile_filter(
        power, BEFORE_PERCENTILE, size=before, origin=before - before // 2 - 1, mode="nearest"
    )
    quiet = np.maximum(np.concatenate([quiet[:1], quiet[:-1]]), np.median(power))
    is_open = level >= quiet * 10 ** (LEAST_JUMP_DB / 10)
    is_open[:before] = False  # nothing before to compare with
    chosen: list[int] = []
    for at in np.argsort(quiet - level, kind="stable"):
        if is_open[at]:
            chosen.append(int(at))
            is_open[max(0, at - apart) : at + apart + 1] = False
    return chosen


def _loudness(
    power: npt.NDArray[np.float64], at: int, steps_a_second: float
) -> tuple[float, float]:
    """Level of the sound at step `at`, dB re full scale, and how far it tops what is around it."""
    around = round(AROUND_S * steps_a_second)
    own = round(APART_S * steps_a_second)
    level = float(power[at : at + max(1, round(AFTER_S * steps_a_second))].mean())
    before = power[max(0, at - around) : max(0, at - own // 4)]
    after = power[at + own : at + around]
    other = np.concatenate([before, after])
    background = float(np.percentile(other, AROUND_PERCENTILE)) if len(other) else SILENCE
    return 10 * math.log10(level), 10 * math.log10(level / background)


def _time_onset(
    bands: Sequence[npt.NDArray[np.float64]], at: int, rate: float
) -> tuple[float, float]:
    """Time the onset near sample `at` in the first band that is quiet before it, else the best."""
    picks = [_pick(band, at, rate) for band in bands]
    for pick in picks:
        if pick.share_before <= CROWDED_SHARE:
            return pick.sample, pick.se
    best = min(picks, key=lambda pick: pick.share_before)
    return best.sample, best.se


class _Pick(NamedTuple):
    sample: float
    se: float  # samples
    share_before: float  # power well before the onset, of the power after it


def _pick(band: npt.NDArray[np.float64], at: int, rate: float) -> _Pick:
    """Pick the onset near sample `at` in one band.

    Before the onset the samples are Gaussian with a share of the strike's own power, after it
    with all of it; the place is where that is most likely, weighed over all places. The share is
    what stands there, but no less than `BEFORE_SHARE`: a criterion that fits the quiet before
    exactly (the usual AIC picker) takes a codec's smear for the strike.
    """
    first = max(0, at - round(PICK_BEFORE_S * rate))
    piece = np.square(band[first : at + round(PICK_AFTER_S * rate)])
    earlier = np.square(band[max(0, first - round(BEFORE_S * rate)) : first])
    window = min(round(LEVEL_S * rate), len(piece))
    sums = np.concatenate([[0.0], np.cumsum(piece)])
    levels = (sums[window:] - sums[:-window]) / window
    power = float(levels.max()) + SILENCE
    end = int(levels.argmax()) + window  # the onset lies before the loudest stretch's end
    measured = float(earlier.mean()) / power if len(earlier) else 0.0
    share = min(max(BEFORE_SHARE, measured), 0.9)
    gain = 0.5 * (-math.log(share) - piece[:end] / power * (1 / share - 1))
    likelihood = np.concatenate([[0.0], np.cumsum(gain)]) * INDEPENDENT_SHARE
    weight = np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    k = np.arange(end + 1)
    mean = float(np.sum(weight * k))
    spread = math.sqrt(float(np.sum(weight * (k - mean) ** 2)))
    return _Pick(
        first + mean, math.hypot(spread, CROWDED_SE_S * rate * min(measured, 1.0)), measured
    )
