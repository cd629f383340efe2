"""One clip in, its finding out: the whole data flow from pixels to measured swings."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import xarray as xr

from lessonmark.errors import UnusableClip
from lessonmark.language import say
from lessonmark.lessons.clip_seeing import ClipSeen, ball_seen, see_clip, swing_seen
from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.lessons.derived import Derived, body_key, clip_key
from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.lessons.versions import made_with
from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.seen import usual_toward
from lessonmark.media.clip import ClipInfo, Frame
from lessonmark.media.frames import read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.media.read_ahead import read_ahead
from lessonmark.media.sound import read_sound
from lessonmark.media.strike import Strike, correct_for_distance, find_strikes
from lessonmark.positions.find import find_positions
from lessonmark.positions.swings import SwingSpan, find_swings
from lessonmark.positions.tempo_check import check_tempo, question_slow_motion
from lessonmark.positions.times import SwingPositions, Time
from lessonmark.tracks.ball import Ball
from lessonmark.tracks.body import BodyTracker
from lessonmark.tracks.dataset import body_dataset
from lessonmark.tracks.sides import by_lead_trail
from lessonmark.tracks.view_check import seen_from, swings_as
from lessonmark.words import Handedness, Position

__all__ = ["Progress", "analyse_clip", "no_swing_error"]

Progress = Callable[[str, int, int], None]  # what is being done, done so far, of how many

_DISTANCE_M = 4.5  # common practice, no source: where a phone on a stand shows the whole player
_DISTANCE_SE_M = 1.2
_LOOKS_MIN = 8  # fewer cannot hold a swing


def analyse_clip(
    path: Path,
    settings: ClipSettings,
    *,
    derived: Derived,
    tracker: Callable[[], BodyTracker],
    on_progress: Progress = lambda doing, done, of: None,
) -> ClipFinding:
    """Measure every swing of a clip, or look the result up where it is known already.

    Parameters
    ----------
    path : the clip.
    settings : what lesson.toml says of it.
    derived : where finished pieces are kept; a piece that is there is not made again.
    tracker : gives the pose network; not called where the body's track is known already.
    on_progress : told how far the work is, often.

    Raises
    ------
    UnreadableClip : the file cannot be decoded.
    UnusableClip : nobody in it, no swing in it, or filmed from another side than declared.
    WeightsMissing : the network's weights are not in the cache.
    """
    clip = probe_clip(path, fps_declared=settings.fps_declared)
    key = clip_key(clip.sha256, settings)
    known = derived.finding(key)
    if known is not None:
        on_progress(say("known already"), 1, 1)
        return known
    body = _body_track(clip, settings, derived=derived, tracker=tracker, on_progress=on_progress)
    on_progress(say("club and positions"), 0, 1)
    strikes = _strikes(clip)
    spans = find_swings(body, strikes_s=[strike.s for strike in strikes])
    if not spans:
        raise no_swing_error(clip, body)
    track = by_lead_trail(body, settings.seen_handedness)
    _check_view(path, track, settings, spans[0])
    seen = see_clip(clip, body, settings, spans)
    swings = tuple(
        _measured_swing(clip, settings, seen, span, ball, number, strikes)
        for number, (span, ball) in enumerate(zip(spans, seen.balls, strict=True), start=1)
    )
    finding = ClipFinding(
        clip=settings.clip,
        sha256=clip.sha256,
        stage=settings.stage,
        view=settings.view,
        fps_filmed=clip.fps_filmed,
        width=clip.width,
        height=clip.height,
        duration_s=clip.duration_s,
        swings=swings,
        track=key,
        stature_cm=settings.stature_cm,
        handedness_seen=settings.seen_handedness,
        scale=seen.scale,
        camera=seen.camera,
        notes=(*clip.notes, *seen.notes),
        made_with=made_with(settings),
    )
    derived.keep_track(key, seen.track)
    derived.keep_finding(key, finding)
    on_progress(say("measured"), 1, 1)
    return finding


def _body_track(
    clip: ClipInfo,
    settings: ClipSettings,
    *,
    derived: Derived,
    tracker: Callable[[], BodyTracker],
    on_progress: Progress,
) -> xr.Dataset:
    key = body_key(clip.sha256, settings)
    known = derived.track(key)
    if known is not None:
        return known
    total = max(1, round(clip.duration_s * clip.fps_filmed))

    def frames() -> Iterable[Frame]:
        return read_ahead(read_frames(clip))

    def count(frame: Frame) -> None:
        on_progress(say("following the player"), frame.index + 1, max(total, frame.index + 1))

    raw = tracker().track(frames, on_frame=count)
    if len(raw.looks) < _LOOKS_MIN:
        raise UnusableClip(
            say("the player is in the picture for a moment only"),
            path=clip.path,
            do=say("film the whole swing, from address to finish"),
        )
    body = body_dataset(raw, clip=clip, view=settings.view, handedness=settings.handedness)
    derived.keep_track(key, body)
    # As a run that takes up there reads it: kept numbers are shorter than computed ones.
    return derived.track(key) or body


def no_swing_error(clip: ClipInfo, body: xr.Dataset) -> UnusableClip:
    """Say that there is none, or that there would be one if the file did not play slowed down."""
    question = question_slow_motion(body, fps=clip.fps_filmed)
    if question is not None:
        return UnusableClip(
            say("no swing at a player's speed; {question}", question=question.question),
            path=clip.path,
            do=say(
                "write fps_filmed = {fps:.0f} for this clip, if the camera was set to that",
                fps=clip.fps_filmed * question.slowdown,
            ),
        )
    return UnusableClip(
        say("no swing was found in this clip"),
        path=clip.path,
        do=say("start filming before the address and stop after the finish"),
    )


def _strikes(clip: ClipInfo) -> tuple[Strike, ...]:
    sound = read_sound(clip)
    return find_strikes(sound) if sound is not None else ()


def _check_view(path: Path, track: xr.Dataset, settings: ClipSettings, span: SwingSpan) -> None:
    view = seen_from(track, span.start_s)
    if view is not None and view is not settings.view and not span.starts_at_top:
        raise UnusableClip(
            say(
                "declared as {declared}, but the player is seen as from {seen}",
                declared=settings.view,
                seen=view,
            ),
            path=path,
            do=say("correct 'view' in lesson.toml, or film again"),
        )
    way = swings_as(track, settings.view, span.start_s, span.top_s)
    if way is not None and way is not settings.seen_handedness:
        raise UnusableClip(
            say("the swing goes the other way round than a {hand}-hander's", hand=_hand(settings)),
            path=path,
            do=say(
                "write mirrored = true where the camera swapped left and right, or correct "
                "the player's handedness"
            ),
        )


def _hand(settings: ClipSettings) -> str:
    return say("right") if settings.handedness is Handedness.RIGHT else say("left")


def _measured_swing(
    clip: ClipInfo,
    settings: ClipSettings,
    seen: ClipSeen,
    span: SwingSpan,
    ball: Ball | None,
    number: int,
    strikes: tuple[Strike, ...],
) -> SwingFinding:
    toward = usual_toward(settings.seen_handedness)
    distance_cm = seen.camera.distance_cm if seen.camera else None
    heard = [
        correct_for_distance(
            strike,
            distance_cm / 100 if distance_cm else _DISTANCE_M,
            settings.air_temperature_c,
            distance_se_m=0.5 if distance_cm else _DISTANCE_SE_M,
        )
        for strike in strikes
        if span.start_s <= strike.s <= span.stop_s
    ]
    positions = find_positions(
        seen.track,
        span,
        view=settings.view,
        sign_target=toward,
        strikes=heard,
        ball_left=_ball_left(ball),
        ball=ball,
        px_per_m=seen.scale.px_per_cm * 100 if seen.scale else None,
        roll_deg=level_turn_deg(seen.camera),
        roll_se_deg=seen.camera.roll_se_deg if seen.camera else 0.5,
    )
    values, refused = measure_swing(swing_seen(clip, settings, seen, positions, ball))
    return SwingFinding(
        swing_id=f"{Path(settings.clip).with_suffix('').as_posix()}#{number}",
        clip=settings.clip,
        number=number,
        stage=settings.stage,
        view=settings.view,
        positions=positions,
        values=values,
        refused=refused,
        toward=toward,
        ball=ball_seen(ball),
        span_s=(span.start_s, span.stop_s),
        notes=_swing_notes(clip, span, positions),
    )


def level_turn_deg(camera: CameraCheck | None) -> float:
    """Give how far the camera's roll turns a level line counter-clockwise in the picture, deg.

    The check counts the roll the other way: + where a plumb line's top leans to the right.
    """
    return -camera.roll_deg if camera else 0.0


def _ball_left(ball: Ball | None) -> Time | None:
    if ball is None or ball.departure_s is None or ball.departure_se is None:
        return None
    return Time(s=ball.departure_s, se=ball.departure_se)


def _swing_notes(clip: ClipInfo, span: SwingSpan, positions: SwingPositions) -> tuple[str, ...]:
    notes = []
    if span.stops_early:
        notes.append(say("this swing stops early"))
    if span.starts_at_top:
        notes.append(say("this swing has no backswing"))
    if span.cut_short:
        notes.append(say("the clip begins or ends inside this swing"))
    if Position.P7 not in positions:
        notes.append(say("no impact was found"))
    question = check_tempo(positions, fps=clip.fps_filmed)
    if question is not None:
        notes.append(question.question)
    return tuple(notes)
