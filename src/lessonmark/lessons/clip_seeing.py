"""What a clip shows besides the body: joints, scale, camera, club and ball.

These hang on each other: the scale needs the address, the club's search needs the scale, the final
positions need the club. So the address is found from the body first, and the rest follows.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import xarray as xr

from lessonmark.errors import CannotMeasure
from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.scale import combine_scales, scale_from_club, scale_from_stature
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import BallSeen, SwingSeen, usual_toward
from lessonmark.media.clip import ClipInfo, Frame
from lessonmark.media.frames import read_frames
from lessonmark.positions.find import find_positions
from lessonmark.positions.swings import SwingSpan
from lessonmark.positions.times import SwingPositions
from lessonmark.tracks.club import track_club
from lessonmark.tracks.sides import by_lead_trail

__all__ = ["ClipSeen", "see_clip", "swing_seen"]


@dataclass(frozen=True, kw_only=True)
class ClipSeen:
    """A clip's track with all that its swings share."""

    track: xr.Dataset  # lead and trail names, with the club where it was seen
    scale: Scale | None
    camera: CameraCheck | None
    ball: BallSeen | None
    notes: tuple[str, ...]


def see_clip(
    clip: ClipInfo, body: xr.Dataset, settings: ClipSettings, spans: tuple[SwingSpan, ...]
) -> ClipSeen:
    """Find scale, camera, club and ball of a clip whose body track and swings are known."""
    hand = settings.seen_handedness
    toward = usual_toward(hand)
    seen = ClipSeen(track=by_lead_trail(body, hand), scale=None, camera=None, ball=None, notes=())
    address = find_positions(seen.track, spans[0], view=settings.view, sign_target=toward)
    first = swing_seen(clip, settings, seen, address)
    scale = _scale(first, settings)

    def grey_frames(start_s: float, stop_s: float) -> Iterable[Frame]:
        return read_frames(clip, start_s=start_s, stop_s=stop_s, grey=True)

    club = track_club(
        grey_frames,
        body,
        clip=clip,
        view=settings.view,
        handedness=hand,
        club_length_cm=settings.club_length_cm,
        px_per_cm=scale.px_per_cm if scale else None,
        spans=[(span.start_s, span.stop_s) for span in spans],
    )
    return ClipSeen(
        track=by_lead_trail(club.track, hand),
        scale=scale,
        camera=None,
        ball=None,
        notes=(club.note,) if club.note else (),
    )


def swing_seen(
    clip: ClipInfo, settings: ClipSettings, seen: ClipSeen, positions: SwingPositions
) -> SwingSeen:
    """Gather what a swing's measures are taken from."""
    return SwingSeen(
        track=seen.track,
        positions=positions,
        view=settings.view,
        handedness=settings.seen_handedness,
        toward=usual_toward(settings.seen_handedness),
        width=clip.width,
        height=clip.height,
        fps=clip.fps_filmed,
        scale=seen.scale,
        ball=seen.ball,
        camera=seen.camera,
        stature_cm=settings.stature_cm,
    )


def with_club_scale(
    clip: ClipInfo, settings: ClipSettings, seen: ClipSeen, positions: SwingPositions
) -> Scale | None:
    """Combine the stature's scale with the club's, now that P2 is known."""
    scales = [seen.scale] if seen.scale else []
    try:
        scales.append(
            scale_from_club(swing_seen(clip, settings, seen, positions), settings.club_length_cm)
        )
    except CannotMeasure:
        return seen.scale
    return combine_scales(scales)


def _scale(swing: SwingSeen, settings: ClipSettings) -> Scale | None:
    if settings.stature_cm is None:
        return None
    try:
        return combine_scales([scale_from_stature(swing, settings.stature_cm)])
    except CannotMeasure:
        return None
