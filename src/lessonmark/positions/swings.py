"""Body track in; each swing's time span out.

A swing is told by the hands alone, in torso lengths, so that the player's size in the image does
not matter: they start low, rise (the backswing), come down fast, and pass their lowest place. The
hands are taken relative to the hips, so that walking in or a camera that moves leaves no trace.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks

from lessonmark.positions.signals import Floats, hands_path, has_keypoints, path_of, torso_px

__all__ = ["SwingSpan", "find_swings"]

# Speeds of the hands in torso lengths a second, heights in torso lengths. Common practice, no
# source: a full swing's hands reach 12 to 20 on the image plane, a chip's 4 to 6, a waggle's 1
# to 2, an arm that swings in walking 2 (and the middle of both hands stays near 0).
SLOWEST_SWING = 4.0
STILL = 0.35
LEAST_DROP = 0.45
# A motion slower than this share of the clip's fastest is a rehearsal. Common practice, no source.
REHEARSAL_SHARE = 0.55
# How long each part may last, s. Generous: the slowest backswing on purpose is about 3 s.
LONGEST_BACKSWING_S = 4.0
LONGEST_DOWNSWING_S = 1.2
LONGEST_FINISH_S = 2.5
APART_S = 0.7
MARGIN_S = 0.6
SMOOTHED_OVER_S = 0.02
STILL_OVER_S = 0.05
# The body has settled when the middle one of these points' speeds stays below, torso lengths a
# second, for so long. Common practice, no source.
SETTLING = ("shoulder", "elbow", "wrist", "ear", "hip", "knee")
SETTLED = 0.15
SETTLED_OVER_S = 0.04
SETTLED_FOR_S = 0.2
STRIKE_BELONGS_WITHIN_S = 0.25


@dataclass(frozen=True, kw_only=True)
class SwingSpan:
    """Where one swing lies in a clip, with a first idea of its parts."""

    start_s: float  # still, before the takeaway (or as far back as the clip goes)
    top_s: float  # about the top, to a few frames
    bottom_s: float  # about impact, to a few frames
    stop_s: float  # still again, or the end of the clip
    still_s: float  # about when the hands were last still before it
    rest_s: float  # about when the body is still again after it
    peak_hand_speed: float  # torso lengths a second, on the image
    starts_at_top: bool = False  # no backswing: the swing starts from the top, held still
    stops_early: bool = False  # the hands stop before they are up on the target side
    cut_short: bool = False  # the clip begins or ends inside the swing
    struck: bool | None = None  # a strike was heard at its bottom; None: nobody listened


@dataclass(frozen=True)
class _Hands:
    t: Floats
    across: Floats  # torso lengths from mid-hip, image right
    up: Floats  # torso lengths above mid-hip
    speed: Floats  # torso lengths a second
    quiet: NDArray[np.bool_]  # as good as still
    settled: NDArray[np.bool_]  # the whole body is


def find_swings(track: xr.Dataset, *, strikes_s: Sequence[float] = ()) -> tuple[SwingSpan, ...]:
    """Find every swing of a clip, leaving out waggles, rehearsals and walking.

    Parameters
    ----------
    track : a body track, sides as left / right or as lead / trail.
    strikes_s : when strikes were heard at the camera, s, where somebody listened. A motion
        without a strike beside one that has it is a practice swing.

    Returns
    -------
    tuple[SwingSpan, ...] : in time order; empty where the clip holds no swing.
    """
    hands = _read_hands(track)
    if hands is None:
        return ()
    spans = [
        span
        for bottom in _fast_moments(hands)
        if (span := _span_about(hands, bottom, strikes_s)) is not None
    ]
    spans = _one_a_swing(spans)
    if any(span.struck for span in spans):
        return tuple(span for span in spans if span.struck)
    fastest = max((span.peak_hand_speed for span in spans), default=0.0)
    return tuple(span for span in spans if span.peak_hand_speed >= REHEARSAL_SHARE * fastest)


def _read_hands(track: xr.Dataset) -> _Hands | None:
    sides = (
        ("lead", "trail") if has_keypoints(track, "lead_hip", "trail_hip") else ("left", "right")
    )
    wrists, hips = hands_path(track), path_of(track, *(f"{side}_hip" for side in sides))
    if len(wrists.t) < 8 or len(hips.t) < 8:
        return None
    torso = torso_px(track)
    first, last = max(wrists.t[0], hips.t[0]), min(wrists.t[-1], hips.t[-1])
    step = float(np.median(np.diff(wrists.t)))
    if not (torso > 0 and last - first > 0.3 and step > 0):
        return None
    t = np.arange(first, last, step)
    across = np.interp(t, wrists.t, wrists.along) - np.interp(t, hips.t, hips.along)
    up = np.interp(t, wrists.t, wrists.up) - np.interp(t, hips.t, hips.up)
    sigma = max(SMOOTHED_OVER_S / step, 0.6)
    across = gaussian_filter1d(across / torso, sigma)
    up = gaussian_filter1d(up / torso, sigma)
    speed = np.hypot(np.gradient(across, step), np.gradient(up, step))
    return _Hands(t, across, up, speed, _quiet(across, up, step), _settled(track, t, torso))


def _quiet(across: Floats, up: Floats, step: float) -> NDArray[np.bool_]:
    # Points that tremble by their own error must not hide that the player stands still.
    sigma = STILL_OVER_S / step
    slow = np.hypot(
        np.gradient(gaussian_filter1d(across, sigma), step),
        np.gradient(gaussian_filter1d(up, sigma), step),
    )
    return _below(slow, STILL)


def _below(speed: Floats, still: float) -> NDArray[np.bool_]:
    tremble = 2.5 * float(np.percentile(speed, 10))
    return np.asarray(speed < max(still, min(tremble, 4 * still)))


def _settled(track: xr.Dataset, t: Floats, torso: float) -> NDArray[np.bool_]:
    """Tell when most of the body is still: after a finish the hands are hidden, or tremble."""
    step = t[1] - t[0]
    held = [str(name) for name in track.keypoint.values]
    parts = [name for name in held if name.split("_", 1)[-1] in SETTLING and "_" in name]
    speeds = []
    for name in parts:
        path = path_of(track, name)
        if len(path.t) < 8:
            continue
        along = gaussian_filter1d(np.interp(t, path.t, path.along), SETTLED_OVER_S / step)
        up = gaussian_filter1d(np.interp(t, path.t, path.up), SETTLED_OVER_S / step)
        speeds.append(np.hypot(np.gradient(along, step), np.gradient(up, step)))
    return _below(np.median(speeds, axis=0) / torso, SETTLED)


def _fast_moments(hands: _Hands) -> list[int]:
    step = hands.t[1] - hands.t[0]
    peaks, _ = find_peaks(
        np.pad(hands.speed, 1), height=SLOWEST_SWING, distance=max(int(0.06 / step), 1)
    )
    return [int(peak) - 1 for peak in peaks]


def _span_about(hands: _Hands, peak: int, strikes_s: Sequence[float]) -> SwingSpan | None:
    t, up, speed = hands.t, hands.up, hands.speed
    bottom = _bottom_near(hands, peak)
    top = _top_before(hands, bottom)
    if up[top] - up[bottom] < LEAST_DROP:
        return None
    # A swing is fastest on the way down; a club lifted fast after the finish is none.
    if speed[top : bottom + 1].max() < SLOWEST_SWING:
        return None
    start, at_top, cut_start = _start_before(hands, top)
    stop, cut_stop = _stop_after(hands, bottom)
    risen = up[bottom : stop + 1].max() - up[bottom]
    struck = (
        any(abs(at - t[bottom]) < STRIKE_BELONGS_WITHIN_S for at in strikes_s)
        if len(strikes_s)
        else None
    )
    return SwingSpan(
        start_s=max(float(t[start]) - MARGIN_S, float(t[0])),
        top_s=float(t[top]),
        bottom_s=float(t[bottom]),
        stop_s=min(float(t[stop]) + MARGIN_S, float(t[-1])),
        still_s=float(t[start]),
        rest_s=float(t[stop]),
        peak_hand_speed=float(speed[top : bottom + 1].max()),
        starts_at_top=at_top,
        stops_early=bool(risen < LEAST_DROP) and not cut_stop,
        cut_short=cut_start or cut_stop,
        struck=struck,
    )


def _bottom_near(hands: _Hands, peak: int) -> int:
    """The lowest place of the hands about the fast moment."""
    step = hands.t[1] - hands.t[0]
    first, last = max(peak - int(0.2 / step), 0), peak + int(0.25 / step) + 1
    low = first + np.flatnonzero(_dips(hands.up[first:last]))
    if len(low) == 0:
        return first + int(np.argmin(hands.up[first:last]))
    return int(low[np.argmin(np.abs(low - peak))])


def _dips(height: Floats) -> NDArray[np.bool_]:
    """Places that are lowest within a good part of a torso's height around."""
    dips, _ = find_peaks(-height, prominence=0.15)
    found = np.zeros(len(height), dtype=bool)
    found[dips] = True
    return found


def _top_before(hands: _Hands, bottom: int) -> int:
    """The highest place of the hands on the way down to their lowest."""
    step = hands.t[1] - hands.t[0]
    first = max(bottom - int(LONGEST_DOWNSWING_S / step), 0)
    best = bottom
    # Back while the hands were higher before; wobbles and a pause are stepped over.
    for i in range(bottom - 1, first - 1, -1):
        if hands.up[i] > hands.up[best]:
            best = i
        elif hands.up[best] - hands.up[i] > 0.15 or hands.t[best] - hands.t[i] > 0.15:
            break
    return best


def _start_before(hands: _Hands, top: int) -> tuple[int, bool, bool]:
    """Where the player was last still; whether that was at the top; whether the clip cuts it."""
    step = hands.t[1] - hands.t[0]
    first = max(top - int(LONGEST_BACKSWING_S / step), 0)
    quiet = hands.quiet
    still = max(int(0.10 / step), 2)
    # A pause at the top is not the address: there the hands are still high.
    i = top
    while i > first:
        if quiet[max(i - still, 0) : i + 1].all() and hands.up[top] - hands.up[i] > LEAST_DROP / 2:
            return i, False, False
        i -= 1
    before = hands.up[first : top + 1]
    if hands.up[top] - before.min() < LEAST_DROP / 2:
        i = top
        while i < len(quiet) - 1 and not quiet[i]:
            i -= 1
            if i <= first:
                return first, True, first == 0
        while quiet[i + 1]:
            i += 1
        return i, True, False
    return first, False, first == 0


def _stop_after(hands: _Hands, bottom: int) -> tuple[int, bool]:
    step = hands.t[1] - hands.t[0]
    last = min(bottom + int(LONGEST_FINISH_S / step), len(hands.t) - 1)
    quiet = hands.settled
    still = max(int(SETTLED_FOR_S / step), 2)
    for i in range(bottom + 1, last - still + 1):
        if quiet[i : i + still].all():
            return i, False
    return last, last == len(hands.t) - 1


def _one_a_swing(spans: list[SwingSpan]) -> list[SwingSpan]:
    """Of fast moments that belong to one swing, keep the one with the fastest way down."""
    kept: list[SwingSpan] = []
    for span in sorted(spans, key=lambda s: -s.peak_hand_speed):
        if all(abs(span.bottom_s - other.bottom_s) > APART_S for other in kept):
            kept.append(span)
    kept.sort(key=lambda s: s.bottom_s)
    return kept
