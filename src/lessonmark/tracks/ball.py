"""The ball: where it lies at address, how large it looks, when it leaves and which way it starts.

It is found by what happens to it. Between the takeaway and the downswing nothing covers it, after
impact it is gone: the difference of the two is a disc, and not the clubhead, a tee or a leaf. In
flight it is a short streak that lies on a line from where it lay.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt
import xarray as xr

from lessonmark.media.clip import ClipInfo, Frame
from lessonmark.tracks.background import Background, Window, learn_background
from lessonmark.tracks.ball_disc import Disc, find_disc
from lessonmark.tracks.ball_flight import Flight, follow_flight

__all__ = ["Ball", "find_ball"]

Array = npt.NDArray[np.float64]
FrameSource = Callable[[float, float], Iterable[Frame]]

REACH_CM = 28.0  # how far from the clubhead at address the ball is looked for
FLIGHT_REACHES = 5.0  # times that, how far the first flight is followed
FEET_BELOW_CM = 70.0  # without a club: this far below the feet in the picture
CLEAR_CM = 30.0  # a clubhead farther off than this does not cover it
THERE, GONE = 0.6, 0.4  # of the ball's own contrast
ODD_THERE, ODD_GONE = 0.5, 0.15  # of its contrast: what is left over where the ball was or is
FOR_GOOD_S = 0.02  # the ground must stay bare so long
BEFORE_S, AFTER_S = 0.12, 0.12  # around impact: where the moment of leaving is looked for
MIDDLE_S = 0.45  # how long before impact the ball is looked at
QUIET_S = (0.12, 0.60)  # after impact: the place without the ball
SAME_S = 1e-5  # times that differ by rounding


@dataclass(frozen=True, kw_only=True)
class Ball:
    """The ball at address on the image, and how it left."""

    x: float  # px, of its centre
    y: float  # px
    centre_se: float  # px, each coordinate
    diameter: float  # px
    diameter_se: float  # px
    departure_s: float  # when it left, clip's clock
    departure_se: float  # s
    flight_angle: float | None  # rad, atan2(-dy, dx) of its first flight; None: not followed
    flight_angle_se: float | None  # rad


def find_ball(
    frames_source: FrameSource,
    track: xr.Dataset,
    *,
    clip: ClipInfo,
    px_per_cm: float,
    span: tuple[float, float],
) -> Ball | None:
    """Find the ball of one swing.

    Parameters
    ----------
    frames_source : gives the clip's grey frames between two times; asked once.
    track : the body's track, with the club where it was seen (network's or lead and trail names).
    px_per_cm : picture px a centimetre.
    span : start and end of the swing, s.

    Returns
    -------
    Ball | None : None where nothing round of a ball's size went away at impact: a practice swing,
        a swing that stops, a ball hidden by the player or out of the picture.
    """
    part = track.sel(time=slice(span[0] - 1e-6, span[1] + 1e-6))
    if part.sizes["time"] < 12:
        return None
    hit_s = _about_impact(part)
    zone = _zone(part, px_per_cm, clip)
    if zone is None:
        return None
    seen = _look(frames_source, part, clip, px_per_cm, zone, hit_s)
    if seen is None:
        return None
    found = find_disc(seen.middle - seen.quiet, seen.noise, seen.beside, px_per_cm)
    if found is None:
        return None
    disc, template = found
    times, shares = _shares(seen, template)
    left = _leaving(times, shares)
    if left is None:
        return None
    last_s, first_s = left
    ball = _place(disc, seen, left)
    flight = follow_flight(
        [(s, image, _golfer(part, s, seen, px_per_cm)) for s, image in seen.flight if s > last_s],
        background=seen.wide,
        px_per_cm=px_per_cm,
        start=(disc.x + seen.inset[0], disc.y + seen.inset[1]),
        diameter=disc.diameter,
        sign=float(np.sign(np.sum(template))),
        between=(last_s, first_s),
    )
    return ball if flight is None else _with_flight(ball, flight)


@dataclass(frozen=True, kw_only=True)
class _Zone:
    """Where the ball may lie, picture px."""

    centre: Array
    radius: float


@dataclass(frozen=True, kw_only=True)
class _Seen:
    """What was kept of the frames."""

    wide: Background  # a window as far as the first flight goes
    inset: tuple[int, int]  # window px of the zone's corner
    middle: npt.NDArray[np.float32]  # the zone with the ball and without a club
    quiet: npt.NDArray[np.float32]  # the zone without the ball
    noise: npt.NDArray[np.float32]  # its spread there
    near_impact: list[tuple[float, npt.NDArray[np.uint8]]]  # time and zone
    flight: list[tuple[float, npt.NDArray[np.uint8]]]  # time and wide window
    beside: Array  # (2,) zone px, where the clubhead stood, or the zone's middle
    motion: Array  # (2, 3) of the camera at address against the reference


def _about_impact(track: xr.Dataset) -> float:
    """Return when the hands, and the club where there is one, are at their fastest, s."""
    names = set(track["keypoint"].to_numpy().tolist())
    times = track["time"].to_numpy()
    if "clubhead" in names:
        velocity = track["velocity"].sel(keypoint="clubhead").to_numpy()
        speed = np.hypot(velocity[:, 0], velocity[:, 1])
        known = np.isfinite(speed)
        if known.any():
            return float(times[int(np.nanargmax(np.where(known, speed, -1.0)))])
    wrists = [name for name in names if str(name).endswith("_wrist")]
    velocity = track["velocity"].sel(keypoint=wrists).mean("keypoint").to_numpy()
    return float(times[int(np.nanargmax(np.hypot(velocity[:, 0], velocity[:, 1])))]) + 0.03


def _zone(track: xr.Dataset, px_per_cm: float, clip: ClipInfo) -> _Zone | None:
    names = set(track["keypoint"].to_numpy().tolist())
    place = track["position"].transpose("time", "space", "keypoint")
    first = slice(0, max(3, track.sizes["time"] // 20))
    if "clubhead" in names:
        head = place.sel(keypoint="clubhead").to_numpy()
        head = head[np.isfinite(head[:, 0])][first]
        if len(head):
            centre = np.median(head, axis=0)
            return _inside(_Zone(centre=centre, radius=REACH_CM * px_per_cm), clip)
    feet = [name for name in names if str(name).endswith(("_ankle", "_foot_index"))]
    points = place.sel(keypoint=feet).to_numpy()[first]
    low = np.nanmedian(points, axis=0)
    centre = np.array([np.nanmean(low[0]), np.nanmax(low[1]) + 0.3 * FEET_BELOW_CM * px_per_cm])
    return _inside(_Zone(centre=centre, radius=FEET_BELOW_CM * px_per_cm), clip)


def _inside(zone: _Zone, clip: ClipInfo) -> _Zone | None:
    inside = (
        np.all(zone.centre > 0) and zone.centre[0] < clip.width and (zone.centre[1] < clip.height)
    )
    return zone if inside else None


def _box(centre: Array, radius: float, clip: ClipInfo) -> Window:
    x0, y0 = (max(0, int(edge)) for edge in centre - radius)
    x1 = min(clip.width, int(np.ceil(centre[0] + radius)))
    y1 = min(clip.height, int(np.ceil(centre[1] + radius)))
    return Window(x=x0, y=y0, width=x1 - x0, height=y1 - y0)


def _look(
    frames_source: FrameSource,
    track: xr.Dataset,
    clip: ClipInfo,
    px_per_cm: float,
    zone: _Zone,
    hit_s: float,
) -> _Seen | None:
    """Read the frames around impact once and keep what is needed of them."""
    near = _box(zone.centre, zone.radius, clip)
    wide = _box(zone.centre, FLIGHT_REACHES * zone.radius, clip)
    inset = (near.x - wide.x, near.y - wide.y)
    rows = slice(inset[1], inset[1] + near.height), slice(inset[0], inset[0] + near.width)
    place = track["position"].transpose("time", "keypoint", "space").to_numpy().reshape(-1, 2)
    low, high = np.nanpercentile(place, 1, axis=0), np.nanpercentile(place, 99, axis=0)
    margin = 20.0 * px_per_cm
    golfer = (low[0] - margin, low[1] - margin, high[0] + margin, high[1] + margin)
    # Time and picture, until the ground without the ball is known.
    waiting: list[tuple[float, npt.NDArray[np.uint8]]] = []
    try:
        background = learn_background(
            _passing(
                frames_source(hit_s - MIDDLE_S, hit_s + QUIET_S[1]),
                hit_s,
                clear=_clear(track, zone, px_per_cm),
                waiting=waiting,
            ),
            window=wide,
            golfer=golfer,
        )
    except ValueError:  # fewer than three frames after impact
        return None
    middle = []
    kept: list[tuple[float, npt.NDArray[np.uint8]]] = []
    motion = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    for s, image in waiting:
        cut, moved = background.align(image)
        if s >= hit_s - BEFORE_S:
            kept.append((s, cut))
        else:
            middle.append(cut[rows])
            motion = moved
    if len(middle) < 3 or not kept:
        return None
    return _Seen(
        wide=background,
        inset=inset,
        middle=np.median(np.stack(middle), axis=0).astype(np.float32),
        quiet=background.median[rows],
        noise=background.spread[rows],
        near_impact=[(s, cut[rows]) for s, cut in kept],
        flight=kept,
        beside=zone.centre - np.array([near.x, near.y]),
        motion=motion,
    )


def _passing(
    frames: Iterable[Frame],
    hit_s: float,
    *,
    clear: Callable[[float], bool],
    waiting: list[tuple[float, npt.NDArray[np.uint8]]],
) -> Iterator[npt.NDArray[np.uint8]]:
    """Give the pictures after impact, and gather those before and around it as they pass by."""
    last_before = last_after = -np.inf
    for frame in frames:
        around = frame.s >= hit_s - BEFORE_S
        if frame.s <= hit_s + AFTER_S + SAME_S and (
            around or (frame.s - last_before >= 0.012 and clear(frame.s))
        ):
            last_before = frame.s
            waiting.append((frame.s, frame.image))
        if frame.s >= hit_s + QUIET_S[0] - SAME_S and frame.s - last_after >= 0.03:
            last_after = frame.s
            yield frame.image


def _clear(track: xr.Dataset, zone: _Zone, px_per_cm: float) -> Callable[[float], bool]:
    """Return whether the clubhead is away from the zone at a time; True where that is unknown."""
    if "clubhead" not in track["keypoint"].to_numpy().tolist():
        return lambda _s: True
    times = track["time"].to_numpy()
    head = track["position"].sel(keypoint="clubhead").transpose("time", "space").to_numpy()
    far = np.hypot(*(head - zone.centre).T)
    reach = zone.radius + CLEAR_CM * px_per_cm

    def is_clear(s: float) -> bool:
        gap = far[int(np.abs(times - s).argmin())]
        return bool(np.isnan(gap) or gap > reach)

    return is_clear


def _place(disc: Disc, seen: _Seen, left: tuple[float, float]) -> Ball:
    """Carry the disc from the zone to the picture, as the camera stood before impact."""
    window = seen.wide.window
    point = np.array([disc.x + seen.inset[0] + window.x, disc.y + seen.inset[1] + window.y], float)
    x, y = seen.motion[:, :2] @ point + seen.motion[:, 2]
    return Ball(
        x=float(x),
        y=float(y),
        centre_se=disc.centre_se,
        diameter=disc.diameter,
        diameter_se=disc.diameter_se,
        departure_s=0.5 * (left[0] + left[1]),
        # The moment lies anywhere between two frames: a rectangle's standard deviation (JCGM
        # 100:2008, 4.3.7).
        departure_se=(left[1] - left[0]) / float(np.sqrt(12)),
        flight_angle=None,
        flight_angle_se=None,
    )


def _shares(seen: _Seen, template: Array) -> tuple[Array, Array]:
    """Return for each frame around impact how much of the ball is still there: 1 all, 0 none.

    NaN where something else covers its place.
    """
    power = float(np.sum(template**2))
    where = template != 0.0
    times, shares = [], []
    for s, image in seen.near_impact:
        change = image.astype(np.float32) - seen.quiet
        share = float(np.sum(change * template)) / power
        rest = (change - share * template)[where]
        level = np.sqrt(power / where.sum())
        odd = float(np.sqrt(np.mean(rest**2))) / level
        # What covers it may be as bright as the ground: only bare ground proves it gone.
        covered = odd > (ODD_THERE if share > 0.5 else ODD_GONE) or not -0.5 < share < 1.5
        times.append(s)
        shares.append(np.nan if covered else share)
    return np.array(times), np.array(shares)


def _leaving(times: Array, shares: Array) -> tuple[float, float] | None:
    """Return the last time the ball was there and the first it was gone, for good."""
    there = np.flatnonzero(np.nan_to_num(shares, nan=-1.0) > THERE)
    if not len(there) or there[-1] + 1 >= len(times):
        return None
    bare = np.nan_to_num(shares, nan=1.0) < GONE
    for first in range(int(there[-1]) + 1, len(times)):
        # For good: a clubhead that hides the ball may look like ground in one frame, not in all.
        if bare[first : np.searchsorted(times, times[first] + FOR_GOOD_S)].all():
            return float(times[there[-1]]), float(times[first])
    return None


# What moves with the golfer: pairs of keypoints without their side, and how thick they are, cm.
LIMBS = (
    ("shoulder", "elbow", 16.0),
    ("elbow", "wrist", 14.0),
    ("hip", "knee", 24.0),
    ("knee", "ankle", 20.0),
    ("ankle", "foot_index", 20.0),
    ("shoulder", "hip", 30.0),
)
SHAFT_CM = 12.0
HEAD_CM = 26.0  # a clubhead with its blur


def _golfer(track: xr.Dataset, s: float, seen: _Seen, px_per_cm: float) -> npt.NDArray[np.uint8]:
    """Draw golfer and club at a time, in the wide window: nothing in there is a ball."""
    window = seen.wide.window
    mask = np.zeros((window.height, window.width), np.uint8)
    row = track.sel(time=s, method="nearest")["position"].transpose("keypoint", "space")
    place = {
        str(name): point - (window.x, window.y)
        for name, point in zip(row["keypoint"].to_numpy(), row.to_numpy(), strict=True)
        if np.isfinite(point).all()
    }

    def line(first: str, second: str, thick_cm: float) -> None:
        if first in place and second in place:
            ends = [
                tuple(int(v) for v in np.clip(place[end], -9999, 9999)) for end in (first, second)
            ]
            cv2.line(mask, ends[0], ends[1], 255, max(1, round(thick_cm * px_per_cm)))

    for side in ("left", "right", "lead", "trail"):
        for first, second, thick in LIMBS:
            line(f"{side}_{first}", f"{side}_{second}", thick)
    for first, second in (("left", "right"), ("lead", "trail")):
        for joint in ("shoulder", "hip"):
            line(f"{first}_{joint}", f"{second}_{joint}", 30.0)
    line("grip_butt", "clubhead", SHAFT_CM)
    line("clubhead", "clubhead", HEAD_CM)
    line("nose", "nose", 36.0)
    return mask


def _with_flight(ball: Ball, flight: Flight) -> Ball:
    # The picture's roll between reference and address is below the flight's own error.
    with_angle = replace(ball, flight_angle=flight.angle, flight_angle_se=flight.angle_se)
    if flight.start_s is None or flight.start_se is None:
        return with_angle
    return replace(with_angle, departure_s=flight.start_s, departure_se=flight.start_se)
