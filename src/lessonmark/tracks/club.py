"""Follow the club through a clip's swings: the shaft, the grip and the head in every frame.

Body track and grey frames in; the body track with the club's variables (see `schema`) out. What
is not seen is predicted from its neighbours with an error that says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from lessonmark.language import say
from lessonmark.media.clip import ClipInfo
from lessonmark.tracks.background import Window
from lessonmark.tracks.club_hands import Hands, find_hands, guess_px_per_cm
from lessonmark.tracks.club_line import Contrast
from lessonmark.tracks.club_looks import TURN_AT_REST, FrameSource, Looks, choose_looks, turn_most
from lessonmark.tracks.club_path import choose_rays
from lessonmark.tracks.club_rays import Ray, RayFinder
from lessonmark.tracks.club_smooth import ClubPath, smooth_club
from lessonmark.tracks.schema import CLUB_KEYPOINTS, SPACE
from lessonmark.words import Handedness, View

__all__ = ["ClubTrack", "FrameSource", "track_club"]

Array = npt.NDArray[np.float64]

# A club is worked on at no more than this length: finer pixels cost time and tell nothing more.
LENGTH_PX_MOST = 320.0
CUT_REACH = 1.12  # club lengths around the hands
LENGTH_PX_LEAST = 40.0  # below this a shaft is thinner than half a pixel
FRAMES_LEAST = 12  # in a span
GRIP_CM = 10.0  # butt to the middle of the hands; common practice, no source
CLUB_TRAILS_S = 0.02  # a club's turn leads and trails the hands' speed by so much
STILL = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
# A club is found where the path holds on to it for this share of the frames, with lines this long.
SEEN_LEAST = 0.25
SCORE_LEAST = 0.3
ANGLE_SYSTEMATIC_RAD = np.radians(0.15)  # does not average out over frames: shaft bend, lens


@dataclass(frozen=True, kw_only=True)
class ClubTrack:
    """The body track with the club, or without it and why."""

    track: xr.Dataset  # with the club's variables where `found`
    found: bool
    note: str  # a sentence for the coach: why there is no club; empty where there is one


@dataclass(frozen=True, kw_only=True)
class _Span:
    """One swing's club, in picture px, y down."""

    frames: npt.NDArray[np.intp]  # indices into the body's time
    middle: Array  # (time, 2) of the hands, on the shaft's line
    middle_cov: Array  # (time, 2, 2)
    middle_velocity: Array
    path: ClubPath  # px of the picture


def track_club(
    frames_source: FrameSource,
    body: xr.Dataset,
    *,
    clip: ClipInfo,
    view: View,
    handedness: Handedness,
    club_length_cm: float,
    px_per_cm: float | None,
    spans: Sequence[tuple[float, float]],
) -> ClubTrack:
    """Follow the club through every swing of a clip.

    Parameters
    ----------
    frames_source : gives the clip's grey frames between two times; asked once or twice a span.
    body : the golfer's track, `schema`'s body variables on every frame's time.
    clip : the clip, for its size.
    view, handedness : not needed to find the club: the same search serves every view and hand.
    club_length_cm : butt to sole.
    px_per_cm : picture px a centimetre at the golfer; None is guessed from the golfer's height.
    spans : start and end of each swing, s, address and finish included.

    Returns
    -------
    ClubTrack : where no span shows a club, the body track as it came and the reason.
    """
    scale = px_per_cm if px_per_cm is not None else guess_px_per_cm(body)
    length = club_length_cm * scale
    if not length >= LENGTH_PX_LEAST:
        return ClubTrack(
            track=body,
            found=False,
            note=say("The golfer is too small in the picture for the club to be followed."),
        )
    times = body["time"].to_numpy()
    found = []
    for start_s, stop_s in spans:
        frames = np.flatnonzero((times >= start_s - 1e-6) & (times <= stop_s + 1e-6))
        if len(frames) < FRAMES_LEAST:
            continue
        span = _track_span(frames_source, body.isel(time=frames), clip, frames, length, scale)
        if span is not None:
            found.append(span)
    if not found:
        return ClubTrack(
            track=body,
            found=False,
            note=say("The club could not be seen in this clip; body measures go on without it."),
        )
    return ClubTrack(track=_with_club(body, found, club_length_cm), found=True, note="")


def _track_span(
    frames_source: FrameSource,
    body: xr.Dataset,
    clip: ClipInfo,
    frames: npt.NDArray[np.intp],
    length: float,
    px_per_cm: float,
) -> _Span | None:
    times = body["time"].to_numpy()
    hands = find_hands(body, px_per_cm=px_per_cm)
    window = _window(hands.position, length, clip)
    scale = 1.0 / window.shrink
    try:
        looks = Looks(
            frames_source,
            times,
            choose_looks(times, hands.velocity, length),
            hands=hands.position,
            window=window,
            reach=CUT_REACH * length * scale,
            golfer=_golfer_box(body, length),
        )
    except ValueError:  # fewer than three frames could be read there
        return None
    finder = RayFinder(length * scale)
    rays: dict[int, list[Ray]] = {}
    # The camera's own motion: reference to frame, one (2, 3) a frame looked at.
    motions: dict[int, Array] = {}
    limits = _fan_limits(times, hands, length)
    for look in looks:
        motion = STILL if look.motion is None else look.motion
        motions[look.row] = motion
        contrast = Contrast(
            image=look.image,
            background=looks.background,
            corner=look.corner,
            motion=None if look.motion is None else _in_window(motion, window),
        )
        middle = window.inside(_undo(motion, hands.position[look.row]))
        rays[look.row] = finder.find(contrast, middle, float(limits[look.row]))
    rows = np.array(sorted(rays))
    moved = _between(times, times[rows], np.stack([motions[row] for row in rows]))
    steady = np.stack([_undo(m, at) for m, at in zip(moved, hands.position, strict=True)])
    chosen = choose_rays(
        times[rows],
        [rays[row] for row in rows],
        length * scale,
        hands=window.inside(steady[rows]),
        size=window.size,
        limbs=[limb.at(rows) for limb in hands.limbs(scale)],
        frame_s=float(np.median(np.diff(times))),
    )
    club: list[Ray | None] = [None] * len(times)
    for row, take in zip(rows, chosen, strict=True):
        if take >= 0:
            club[row] = rays[row][take]
    scores = [ray.score for ray in club if ray is not None]
    if len(scores) < SEEN_LEAST * len(rows) or np.median(scores) < SCORE_LEAST:
        return None
    path = smooth_club(times, club, length_px=length * scale, looked=rows)
    return _in_picture(frames, times, hands, steady, club, path, moved, window, scale)


def _between(times: Array, at: Array, motions: Array) -> Array:
    """Interpolate the camera's motion between the frames looked at: (time, 2, 3)."""
    flat = motions.reshape(len(at), 6)
    return np.stack([np.interp(times, at, flat[:, k]) for k in range(6)], axis=1).reshape(-1, 2, 3)


def _in_window(motion: Array, window: Window) -> Array:
    """Carry a motion of the picture to window px."""
    corner = np.array([window.x, window.y], float)
    moved = motion.copy()
    moved[:, 2] = (motion[:, :2] @ corner + motion[:, 2] - corner) / window.shrink
    return moved


def _window(hands: Array, length: float, clip: ClipInfo) -> Window:
    """Cut as far as the club reaches from wherever the hands are."""
    shrink = max(1, int(np.ceil(length / LENGTH_PX_MOST)))
    low = np.nanmin(hands, axis=0) - 1.12 * length
    high = np.nanmax(hands, axis=0) + 1.12 * length
    x0, y0 = (int(max(0.0, edge)) for edge in low)
    x1 = int(min(float(clip.width), np.ceil(high[0])))
    y1 = int(min(float(clip.height), np.ceil(high[1])))
    return Window(
        x=x0, y=y0, width=max(x1 - x0, shrink), height=max(y1 - y0, shrink), shrink=shrink
    )


def _golfer_box(body: xr.Dataset, length: float) -> tuple[float, float, float, float]:
    """Return x0, y0, x1, y1 of the golfer with a margin of a fifth of a club."""
    place = body["position"].transpose("time", "keypoint", "space").to_numpy().reshape(-1, 2)
    low = np.nanpercentile(place, 1, axis=0) - 0.2 * length
    high = np.nanpercentile(place, 99, axis=0) + 0.2 * length
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _fan_limits(times: Array, hands: Hands, length: float) -> Array:
    """Return the widest fan that each frame can hold, rad."""
    frame_s = float(np.median(np.diff(times)))
    turn = turn_most(times, hands.velocity, length, CLUB_TRAILS_S) + TURN_AT_REST
    return np.asarray(turn * frame_s, np.float64)


def _undo(motion: Array, point: Array) -> Array:
    """Carry a point of a frame back to the reference frame."""
    back = np.linalg.solve(motion[:, :2], point - motion[:, 2])
    return np.asarray(back, np.float64)


def _in_picture(
    frames: npt.NDArray[np.intp],
    times: Array,
    hands: Hands,
    steady: Array,
    club: Sequence[Ray | None],
    path: ClubPath,
    motions: Array,
    window: Window,
    scale: float,
) -> _Span:
    """Carry the smoothed club from the window to each frame's own picture."""
    seen = path.seen
    side = np.stack([-np.sin(path.angle), np.cos(path.angle)], axis=1)
    lines = [(row, ray) for row, ray in enumerate(club) if ray is not None and seen[row]]
    rows = np.array([row for row, _ in lines])
    # Where the line was not seen its place beside the hands comes from the frames around, and
    # the hands' own error stands.
    every = np.arange(len(times))
    aside = np.interp(every, rows, np.array([ray.aside for _, ray in lines]) / scale)
    aside_se = np.interp(every, rows, np.array([ray.aside_se for _, ray in lines]) / scale)
    across_var = np.where(seen, aside_se**2 + 0.5**2, hands.variance)
    middle = steady + aside[:, None] * side
    axis = np.stack([np.cos(path.angle), np.sin(path.angle)], axis=1)
    middle_cov = (
        across_var[:, None, None] * side[:, :, None] * side[:, None, :]
        + hands.variance[:, None, None] * axis[:, :, None] * axis[:, None, :]
    )
    turn = motions[:, :, :2]
    twist = np.arctan2(motions[:, 1, 0], motions[:, 0, 0])
    carried = ClubPath(
        vector=np.einsum("tij,tj->ti", turn, path.vector / scale),
        vector_cov=turn @ (path.vector_cov / scale**2) @ turn.transpose(0, 2, 1),
        vector_rate=np.einsum("tij,tj->ti", turn, path.vector_rate / scale),
        angle=path.angle + twist,
        angle_se=np.hypot(path.angle_se, ANGLE_SYSTEMATIC_RAD),
        angle_rate=path.angle_rate,
        seen=seen,
    )
    return _Span(
        frames=frames,
        middle=np.einsum("tij,tj->ti", turn, middle) + motions[:, :, 2],
        middle_cov=middle_cov,
        middle_velocity=hands.velocity,
        path=carried,
    )


def _with_club(body: xr.Dataset, spans: Sequence[_Span], club_length_cm: float) -> xr.Dataset:
    """Add the club's keypoints and angles to the body's variables."""
    count = body.sizes["time"]
    position = np.full((count, 2, 3), np.nan)
    covariance = np.full((count, 2, 2, 3), np.nan)
    velocity = np.full((count, 2, 3), np.nan)
    angle, angle_se, rate, seen = (np.full(count, np.nan) for _ in range(4))
    behind = GRIP_CM / (club_length_cm - GRIP_CM)  # butt to hands, as a share of hands to head
    for span in spans:
        rows, path = span.frames, span.path
        # butt, hands, head stand at these shares of the vector from the hands' middle.
        for k, share in enumerate((-behind, 0.0, 1.0)):
            position[rows, :, k] = span.middle + share * path.vector
            velocity[rows, :, k] = span.middle_velocity + share * path.vector_rate
            covariance[rows, :, :, k] = span.middle_cov + share**2 * path.vector_cov
        angle[rows] = -path.angle  # y up: + is counter-clockwise
        angle_se[rows] = path.angle_se
        rate[rows] = -path.angle_rate
        seen[rows] = path.seen
    club = xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), position),
            "position_cov": (("time", "space", "space_other", "keypoint"), covariance),
            "velocity": (("time", "space", "keypoint"), velocity),
            "visibility": (("time", "keypoint"), np.repeat(seen[:, None], 3, axis=1)),
        },
        coords={
            "time": body["time"],
            "space": list(SPACE),
            "space_other": list(SPACE),
            "keypoint": list(CLUB_KEYPOINTS),
        },
    )
    names = [*body["keypoint"].to_numpy(), *CLUB_KEYPOINTS]
    joined = body.reindex(keypoint=names)
    for name in club.data_vars:
        part = club[name].transpose(*joined[name].dims)
        joined[name] = (
            part.combine_first(joined[name])
            .reindex(keypoint=names)
            .transpose(*joined[name].dims)
            .assign_attrs(joined[name].attrs)
        )
    joined["shaft_angle"] = ("time", angle, {"units": "rad"})
    joined["shaft_angle_se"] = ("time", angle_se, {"units": "rad"})
    joined["shaft_rate"] = ("time", rate, {"units": "rad/s"})
    joined["shaft_seen"] = ("time", seen)
    return joined
