"""What a clip is: size, clock, true frame rate, and what is odd about it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import NamedTuple

import av.container
import av.error
import av.video.frame
import av.video.stream

from lessonmark.errors import LessonFileError
from lessonmark.language import say, say_number
from lessonmark.media.clip import ClipInfo
from lessonmark.media.container import open_clip, picture_stream, refuse
from lessonmark.media.hashing import content_hash
from lessonmark.media.orientation import Orientation, orientation_of
from lessonmark.media.timing import FrameTimes, read_frame_times

__all__ = ["probe_clip"]

# Written by Android's recorder into the file when the camera ran faster than the file plays
# (AOSP, frameworks/av, MPEG4Writer's `com.android.capture.fps`; from memory).
ANDROID_CAPTURE_FPS = "com.android.capture.fps"
# Apple's camera writes 1 or 0 here beside true time stamps: its slow motion lives in the player,
# not in the file (AVFoundation, quickTimeMetadataFullFrameRatePlaybackIntent; from memory).
APPLE_FULL_RATE = "com.apple.quicktime.full-frame-rate-playback-intent"
APPLE_CREATED = "com.apple.quicktime.creationdate"

SAME_RATE_SHARE = 0.05  # a declared 240 is the file's 239.2: phones miss their nominal rate
WHOLE_RATIO_SHARE = 0.03  # 240 over 29.97 is 8: both names are nominal, the ratio is exact
LEAST_METADATA_RATIO = 1.9  # a dim room's 24 of 30 frames a second is no slow motion
HIGH_RANGE_TRANSFERS = (16, 18)  # PQ and HLG (ITU-T H.273, table 3)


class _Rate(NamedTuple):
    fps: float
    source: str
    notes: tuple[str, ...] = ()


def probe_clip(path: Path | str, *, fps_declared: float | None = None) -> ClipInfo:
    """Read what a clip is, without decoding more than its first picture.

    Parameters
    ----------
    path : the video file.
    fps_declared : frames a second as filmed, where the coach knows that the file plays slower.

    Returns
    -------
    ClipInfo. A clip whose end is missing but whose pictures so far can be read is described, with
    a note; `read_frames` gives those pictures and then raises.

    Raises
    ------
    UnreadableClip : not there, empty, no video, sound only, cut short before its index, a single
        picture, or pictures that cannot be decoded.
    LessonFileError : `fps_declared` is not a positive number.
    """
    path = Path(path)
    if fps_declared is not None and not (math.isfinite(fps_declared) and fps_declared > 0):
        raise LessonFileError(
            say("the frames a second as filmed must be a number above 0"),
            path=path,
            do=say("write the rate that the camera was set to, for example 240"),
        )
    with open_clip(path) as container:
        stream = picture_stream(container, path)
        first = _first_picture(container, stream, path)
        orientation = orientation_of(first, stream)
        width, height = upright_size(first, stream, orientation)
        metadata = {**stream.metadata, **container.metadata}
        codec = stream.codec_context.name
        has_sound = bool(container.streams.audio)
    times = read_frame_times(path)
    if len(times.s) < 2:
        raise refuse(
            path,
            say("the clip is a single picture, so nothing moves in it"),
            say("choose the video of the swing"),
        )
    fps_container = 1 / times.step_s
    rate = _rate_filmed(fps_container, times, metadata, fps_declared)
    notes = [*rate.notes, *_notes(first, orientation, times)]
    shown_s = float(times.s[-1] - times.s[0]) + times.step_s
    return ClipInfo(
        path=path,
        sha256=content_hash(path),
        width=width,
        height=height,
        rotation_deg=orientation.degrees,
        codec=codec,
        pixel_format=first.format.name,
        duration_s=shown_s * fps_container / rate.fps,
        fps_container=fps_container,
        fps_filmed=rate.fps,
        fps_source=rate.source,
        variable_rate=times.is_variable,
        has_sound=has_sound,
        created=metadata.get(APPLE_CREATED) or metadata.get("creation_time"),
        notes=tuple(notes),
    )


def upright_size(
    frame: av.video.frame.VideoFrame,
    stream: av.video.stream.VideoStream,
    orientation: Orientation,
) -> tuple[int, int]:
    """Give width and height in square pixels, after the clip was stood upright."""
    aspect = stream.sample_aspect_ratio
    width = round(frame.width * float(aspect)) if aspect else frame.width
    return (frame.height, width) if orientation.swaps_sides else (width, frame.height)


def _first_picture(
    container: av.container.InputContainer, stream: av.video.stream.VideoStream, path: Path
) -> av.video.frame.VideoFrame:
    try:
        for frame in container.decode(stream):
            return frame
    except (av.error.FFmpegError, ValueError) as err:
        raise _undecodable(path) from err
    raise _undecodable(path)


def _undecodable(path: Path) -> Exception:
    return refuse(
        path,
        say("not one picture of the video can be decoded"),
        say("copy it from the phone again, or export it as H.264 or HEVC"),
    )


def _rate_filmed(
    fps_container: float,
    times: FrameTimes,
    metadata: dict[str, str],
    fps_declared: float | None,
) -> _Rate:
    """Settle frames a second as filmed: declared, else the phone's note, else the time stamps."""
    if fps_declared is not None:
        ratio = _slowdown(fps_declared, fps_container)
        notes: tuple[str, ...] = ()
        if ratio < 1:
            notes = (
                say(
                    "declared as filmed at {declared} frames a second, but the file plays {plays}: "
                    "check the setting",
                    declared=say_number(fps_declared),
                    plays=say_number(fps_container),
                ),
            )
        return _Rate(fps_container * ratio, "declared", notes)
    noted = _positive(metadata.get(ANDROID_CAPTURE_FPS))
    if noted is not None:
        ratio = _slowdown(noted, fps_container)
        if ratio == 1:
            return _Rate(fps_container, "metadata")
        if ratio >= LEAST_METADATA_RATIO and not times.is_variable:
            return _Rate(fps_container * ratio, "metadata")
        return _Rate(
            fps_container,
            "container",
            (
                say(
                    "the phone noted {noted} frames a second, but the time stamps say {plays} and "
                    "were believed",
                    noted=say_number(noted),
                    plays=say_number(fps_container, 1),
                ),
            ),
        )
    if metadata.get(APPLE_FULL_RATE) in ("0", "1"):
        return _Rate(fps_container, "metadata")
    return _Rate(fps_container, "container")


def _slowdown(fps_filmed: float, fps_container: float) -> float:
    """Ratio of the rates, made whole where both are names of the same beat."""
    ratio = fps_filmed / fps_container
    whole = round(ratio)
    near = SAME_RATE_SHARE if whole == 1 else WHOLE_RATIO_SHARE
    return float(whole) if whole >= 1 and abs(ratio / whole - 1) <= near else ratio


def _positive(text: str | None) -> float | None:
    try:
        value = float(text) if text else 0.0
    except ValueError:
        return None
    return value if math.isfinite(value) and value > 0 else None


def _notes(
    first: av.video.frame.VideoFrame, orientation: Orientation, times: FrameTimes
) -> list[str]:
    notes = []
    if times.cut_short:
        notes.append(
            say(
                "the file is cut short: its pictures end after {seconds} s",
                seconds=say_number(float(times.s[-1] - times.s[0]), 1),
            )
        )
    if orientation.mirrored:
        notes.append(say("the file asks to be shown mirrored, which was obeyed"))
    if first.color_trc in HIGH_RANGE_TRANSFERS:
        notes.append(
            say("filmed in high dynamic range: the pictures look paler here than on the phone")
        )
    return notes
