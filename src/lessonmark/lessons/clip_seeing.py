"""What a clip shows besides the body: joints, scale, camera, club and ball.

These hang on each other: the scale needs the address, the club's search needs the scale, the final
positions need the club. So the address is found from the body first, and the rest follows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt
import xarray as xr

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.measures.camera import check_camera
from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.facing import with_facing
from lessonmark.measures.laid_length import scale_from_stick
from lessonmark.measures.scale import find_scale, scale_from_reference
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import BallSeen, SwingSeen, usual_toward
from lessonmark.media.clip import ClipInfo, Frame
from lessonmark.media.frames import read_frame_nearest, read_frames
from lessonmark.positions.find import find_positions
from lessonmark.positions.swings import SwingSpan
from lessonmark.positions.times import SwingPositions
from lessonmark.tracks.anatomy import to_joint_centres
from lessonmark.tracks.ball import Ball, find_ball
from lessonmark.tracks.club import track_club
from lessonmark.tracks.held_frames import HeldFrames
from lessonmark.tracks.refined import refine_joints
from lessonmark.tracks.refiner import JointRefiner
from lessonmark.tracks.sides import by_lead_trail
from lessonmark.words import Position, View

__all__ = ["ClipSeen", "ball_seen", "check_footage", "see_clip", "swing_seen"]

FAST_FRAMES = 14  # to either side of impact: 0.12 s at 120 frames a second


@dataclass(frozen=True, kw_only=True)
class ClipSeen:
    """A clip's track with all that its swings share."""

    track: xr.Dataset  # joint centres with lead and trail names; the club where it was seen
    scale: Scale | None
    camera: CameraCheck | None
    balls: tuple[Ball | None, ...]  # one a swing
    notes: tuple[str, ...]


def see_clip(
    clip: ClipInfo, body: xr.Dataset, settings: ClipSettings, spans: tuple[SwingSpan, ...]
) -> ClipSeen:
    """Find joints, scale, camera, club and balls of a clip whose body and swings are known.

    Parameters
    ----------
    body : the network's landmarks, by body side.
    """
    hand = settings.seen_handedness
    joints = to_joint_centres(
        body.assign_attrs(handedness=str(hand)), settings.view, heavy=settings.heavy
    )
    joints = refine_joints(
        lambda start_s, stop_s: read_frames(clip, start_s=start_s, stop_s=stop_s),
        joints,
        refiner=_refiner(),
        spans=[(span.start_s, span.stop_s) for span in spans],
    )
    seen = ClipSeen(track=by_lead_trail(joints, hand), scale=None, camera=None, balls=(), notes=())
    address = find_positions(
        seen.track, spans[0], view=settings.view, sign_target=usual_toward(hand)
    )
    scale = _scale(swing_seen(clip, settings, seen, address), settings)

    # The camera check looks at the positions; they pass by while the club is followed.
    grey = _GreyFrames(clip, [*(p.time.s for p in address.found.values()), *_fast(clip, address)])
    # What the ball needs of them is decoded once.
    impacts = [address[Position.P7].time.s] if Position.P7 in address else []
    held = HeldFrames(grey.between, impacts)
    club = track_club(
        held.between,
        joints,
        clip=clip,
        view=settings.view,
        handedness=hand,
        club_length_cm=settings.club_length_cm,
        px_per_cm=scale.px_per_cm if scale else None,
        spans=[(span.start_s, span.stop_s) for span in spans],
    )
    track = by_lead_trail(club.track, hand)
    if not settings.heavy:  # the table of how a body faces is the smaller network's
        track = with_facing(track, body, settings.view, hand)
    seen = replace(
        seen,
        track=track,
        scale=scale,
        notes=(club.note,) if club.note else (),
    )
    balls = tuple(
        find_ball(
            held.between,
            seen.track,
            clip=clip,
            px_per_cm=scale.px_per_cm,
            span=(span.start_s, span.stop_s),
        )
        if scale
        else None
        for span in spans
    )
    swing = swing_seen(clip, settings, seen, address, balls[0])
    camera, scale, note = _camera_and_scale(
        swing, settings, grey.at, club_cm=settings.club_length_cm
    )
    notes = (*seen.notes, note) if note else seen.notes
    return replace(seen, scale=scale, camera=camera, balls=balls, notes=notes)


@cache
def _refiner() -> JointRefiner:
    return JointRefiner()


def _fast(clip: ClipInfo, positions: SwingPositions) -> list[float]:
    """Times of the frames round impact, where the shutter is read."""
    if Position.P7 not in positions:
        return []
    hit = positions[Position.P7].time.s
    return [hit + step / clip.fps_filmed for step in range(-FAST_FRAMES, FAST_FRAMES + 1)]


class _GreyFrames:
    """A clip's grey frames; those wanted later are kept as they pass by, so none is read twice."""

    def __init__(self, clip: ClipInfo, keep_s: Sequence[float]) -> None:
        self._clip = clip
        self._near = 0.5 / clip.fps_filmed
        self._keep_s = sorted(keep_s)
        self._kept: dict[float, tuple[float, npt.NDArray[np.uint8]]] = {}

    def between(self, start_s: float, stop_s: float) -> Iterator[Frame]:
        for frame in read_frames(self._clip, start_s=start_s, stop_s=stop_s, grey=True):
            for wanted in self._keep_s:
                if abs(frame.s - wanted) <= self._near and wanted not in self._kept:
                    self._kept[wanted] = frame.s, frame.image
            yield frame

    def at(self, s: float) -> npt.NDArray[np.uint8]:
        for kept_s, image in self._kept.values():
            if abs(kept_s - s) <= self._near:
                return image
        return read_frame_nearest(self._clip, s, grey=True).image


def check_footage(
    clip: ClipInfo, body: xr.Dataset, settings: ClipSettings, span: SwingSpan
) -> tuple[CameraCheck, str]:
    """Check the camera alone; the club is followed for its smear, the shutter's.

    Returns
    -------
    The camera, and what a stick of known length says of the centimetres; empty where there is none.
    """
    joints = to_joint_centres(
        body.assign_attrs(handedness=str(settings.seen_handedness)),
        settings.view,
        heavy=settings.heavy,
    )
    seen = ClipSeen(
        track=by_lead_trail(joints, settings.seen_handedness),
        scale=None,
        camera=None,
        balls=(),
        notes=(),
    )
    positions = find_positions(
        seen.track,
        span,
        view=settings.view,
        sign_target=usual_toward(settings.seen_handedness),
    )
    first = swing_seen(clip, settings, seen, positions)
    scale = _scale(first, settings)
    grey = _GreyFrames(clip, _fast(clip, positions))
    club = track_club(
        grey.between,
        joints,
        clip=clip,
        view=settings.view,
        handedness=settings.seen_handedness,
        club_length_cm=settings.club_length_cm,
        px_per_cm=scale.px_per_cm if scale else None,
        spans=[(span.start_s, span.stop_s)],
    )
    with_club = replace(
        first, track=by_lead_trail(club.track, settings.seen_handedness), scale=scale
    )
    ball = None
    if scale is not None:
        ball = find_ball(
            grey.between,
            with_club.track,
            clip=clip,
            px_per_cm=scale.px_per_cm,
            span=(span.start_s, span.stop_s),
        )
    camera, scale, note = _camera_and_scale(
        replace(with_club, ball=ball_seen(ball)), settings, grey.at, club_cm=None
    )
    return camera, note or (scale.note if scale is not None and settings.stick_cm else "")


def _camera_and_scale(
    swing: SwingSeen,
    settings: ClipSettings,
    grey_at: Callable[[float], npt.NDArray[np.uint8]],
    *,
    club_cm: float | None,
) -> tuple[CameraCheck, Scale | None, str]:
    """Check the camera, and bring the scale that a stick on the ground gives into both."""

    def check(scale: Scale | None) -> CameraCheck:
        return check_camera(
            replace(swing, scale=scale),
            grey_at,
            stick=settings.stick,
            club_cm=club_cm,
        )

    camera = check(swing.scale)
    scale, note = _with_stick(swing, settings, camera)
    return (camera if scale == swing.scale else check(scale)), scale, note


def swing_seen(
    clip: ClipInfo,
    settings: ClipSettings,
    seen: ClipSeen,
    positions: SwingPositions,
    ball: Ball | None = None,
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
        ball=ball_seen(ball),
        camera=seen.camera,
        stature_cm=settings.stature_cm,
    )


def ball_seen(ball: Ball | None) -> BallSeen | None:
    """Keep of a ball what measures read."""
    return BallSeen(x=ball.x, y=ball.y, se_px=ball.centre_se) if ball else None


def _scale(swing: SwingSeen, settings: ClipSettings) -> Scale | None:
    """Find the scale by which club and ball are looked for, before the camera is known."""
    scale = find_scale(swing, stature_cm=settings.stature_cm)
    if scale is None and settings.stick and settings.stick_cm and swing.view is View.FACE_ON:
        # From down-the-line it points along the camera's axis.
        with suppress(CannotMeasure):
            laid = scale_from_reference(swing, settings.stick, settings.stick_cm)
            scale = find_scale(swing, reference=laid)
    return scale


def _with_stick(
    swing: SwingSeen, settings: ClipSettings, camera: CameraCheck
) -> tuple[Scale | None, str]:
    """Join what a stick of known length says to the scale; and say so where it says nothing."""
    if settings.stick is None or settings.stick_cm is None:
        return swing.scale, ""
    try:
        laid = scale_from_stick(swing, settings.stick, settings.stick_cm, camera=camera)
    except CannotMeasure as why:
        said = say("The stick's length was not used: {why}.", why=why.what)
        return swing.scale, said
    known = replace(swing, camera=camera)
    return find_scale(known, stature_cm=settings.stature_cm, reference=laid), ""
