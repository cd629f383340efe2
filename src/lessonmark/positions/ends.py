"""P1 and P10 of a swing: which of its points tell best when it starts and when it is over."""

from __future__ import annotations

import xarray as xr

from lessonmark.language import say
from lessonmark.positions.lines import shaft_angle
from lessonmark.positions.rest import (
    BODY,
    BODY_DOWN_THE_LINE,
    BODY_MOVERS,
    CLUBHEAD,
    CLUBHEAD_FACE_ON,
    first_still,
    last_still,
    shaft_first_still,
    shaft_last_still,
)
from lessonmark.positions.signals import Path, Trace, has_keypoints, path_of
from lessonmark.positions.times import Time
from lessonmark.words import View

__all__ = ["find_start", "find_stop"]

# The body settles within this of the club, s. Common practice, no source.
SE_SETTLED_S = 0.08
# The club tells its stop where it was seen in so much of the time about it.
SEEN_LEAST = 0.5
ABOUT_STOP_S = 0.2
# The club at the finish is half hidden: where it and the body disagree, so much of that is doubt.
DOUBT_SHARE = 0.5


def find_start(
    track: xr.Dataset, *, view: View, about_s: float, torso_px: float, px_per_m: float
) -> tuple[Time, str] | None:
    """Find when a swing starts from rest: by the shaft's angle, else by the body.

    Parameters
    ----------
    track : one swing's, sides as lead / trail.
    about_s : a moment at or soon after the start, s.
    torso_px, px_per_m : the scale on the image.

    Returns
    -------
    tuple[Time, str] | None : the time, and in words what told it; None where nothing rests.
    """
    shaft = shaft_angle(track)
    if shaft is not None:
        time = shaft_last_still(shaft, view=view, about_s=about_s)
        if time is not None:
            return time, say("shaft")
    time = last_still(
        _paths(track, *BODY_MOVERS),
        BODY if view is View.FACE_ON else BODY_DOWN_THE_LINE,
        about_s=about_s,
        torso_px=torso_px,
        px_per_m=px_per_m,
    )
    return None if time is None else (time, say("body"))


def find_stop(
    track: xr.Dataset,
    *,
    view: View,
    about_s: float,
    between_s: tuple[float, float],
    torso_px: float,
    px_per_m: float,
) -> tuple[Time, str] | None:
    """Find when a swing is over: the shaft or the clubhead stops, or else the body has settled.

    A club that was only predicted about then tells nothing: it is the body's rest that counts.

    Parameters
    ----------
    about_s : when the body has settled, s.
    between_s : the last position before, and the end of the swing's span, s.

    Returns
    -------
    tuple[Time, str] | None : as `find_start`.
    """
    after_s, before_s = between_s
    settled = Time(s=about_s, se=SE_SETTLED_S) if about_s > after_s else None
    shaft = _seen_shaft(track, about_s)
    if shaft is None and "shaft_seen" in track:
        return None if settled is None else (settled, say("body"))
    if shaft is not None and view is View.FACE_ON:
        turned = shaft_first_still(shaft, about_s=about_s)
        if turned is not None and after_s < turned.s < before_s:
            return turned, say("shaft")
    stopped = None
    if has_keypoints(track, "clubhead"):
        stopped = first_still(
            _paths(track, "clubhead"),
            CLUBHEAD_FACE_ON if view is View.FACE_ON else CLUBHEAD,
            about_s=about_s,
            torso_px=torso_px,
            px_per_m=px_per_m,
        )
    if stopped is not None and after_s < stopped.s < before_s:
        doubt = 0.0 if settled is None else DOUBT_SHARE * abs(stopped.s - settled.s)
        return Time(s=stopped.s, se=max(stopped.se, doubt)), say("clubhead")
    return None if settled is None else (settled, say("body"))


def _seen_shaft(track: xr.Dataset, about_s: float) -> Trace | None:
    """Return the shaft's angle where it was seen; None where it mostly was not about a time."""
    shaft = shaft_angle(track)
    if shaft is None or "shaft_seen" not in track:
        return None
    seen = track.shaft_seen.sel(time=shaft.t).to_numpy() > 0.5
    near = (shaft.t > about_s - ABOUT_STOP_S) & (shaft.t < about_s + ABOUT_STOP_S)
    if not near.any() or seen[near].mean() < SEEN_LEAST:
        return None
    return Trace(t=shaft.t[seen], value=shaft.value[seen], se=shaft.se[seen])


def _paths(track: xr.Dataset, *names: str) -> list[Path]:
    return [path_of(track, name) for name in names]
