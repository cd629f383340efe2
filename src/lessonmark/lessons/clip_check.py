"""Check one clip's camera before anything is judged: five lines and a picture."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from lessonmark.lessons.clip_analysis import no_swing_error
from lessonmark.lessons.clip_seeing import check_footage
from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.stick import Stick
from lessonmark.media.frames import read_frame_nearest, read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.media.read_ahead import read_ahead
from lessonmark.positions.swings import find_swings
from lessonmark.tracks.body import BodyTracker
from lessonmark.tracks.dataset import body_dataset
from lessonmark.words import Handedness, Stage, View

__all__ = ["CheckedClip", "check_clip"]

_STATURE_CM = 175.0  # where the player's is not given: only distances hang on it
_CLUB_CM = 95.0
_INK = (30, 30, 30)
_PAPER = (250, 250, 250)
_LINE_PX = 2


@dataclass(frozen=True, kw_only=True)
class CheckedClip:
    """A clip's camera, and the picture that shows what was found."""

    camera: CameraCheck
    picture: Path
    centimetres: str = ""  # what a stick of known length says of them, in words


def check_clip(
    path: Path,
    picture: Path,
    *,
    view: View,
    handedness: Handedness,
    stature_cm: float | None = None,
    fps_declared: float | None = None,
    stick: Stick | None = None,
    stick_cm: float | None = None,
) -> CheckedClip:
    """Check how a clip was filmed and write a picture of its address.

    Parameters
    ----------
    path : the clip.
    picture : JPEG to write: the address with a plumb line, a level line, where the feet stand, and
        the stick.
    stick : the two ends, px, of a stick that lies along the target line; None: none does.
    stick_cm : its length, where it is known.

    Raises
    ------
    UnreadableClip : the file cannot be decoded.
    UnusableClip : nobody in it, or no swing.
    """
    clip = probe_clip(path, fps_declared=fps_declared)
    raw = BodyTracker().track(lambda: read_ahead(read_frames(clip)))
    body = body_dataset(raw, clip=clip, view=view, handedness=handedness)
    spans = find_swings(body)
    if not spans:
        raise no_swing_error(clip, body)
    settings = ClipSettings(
        clip=path.name,
        view=view,
        stage=Stage.BEFORE,
        handedness=handedness,
        mirrored=False,
        fps_declared=fps_declared,
        stature_cm=stature_cm or (None if stick_cm else _STATURE_CM),
        club_length_cm=_CLUB_CM,
        air_temperature_c=15.0,
        heavy=False,
        stick=stick,
        stick_cm=stick_cm,
    )
    camera, centimetres = check_footage(clip, body, settings, spans[0])
    frame = read_frame_nearest(clip, spans[0].start_s)
    feet = (
        body["position"]
        .sel(time=spans[0].start_s, method="nearest")
        .sel(keypoint=["left_ankle", "right_ankle"])
    )
    _draw(frame.image, camera, feet.transpose("keypoint", "space").values, picture, stick)
    return CheckedClip(camera=camera, picture=picture, centimetres=centimetres)


def _draw(
    image: np.ndarray[tuple[int, ...], np.dtype[np.uint8]],
    camera: CameraCheck,
    feet: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    picture: Path,
    stick: Stick | None,
) -> None:
    drawn = cv2.cvtColor(image, cv2.COLOR_RGB2BGR)
    height, width = drawn.shape[:2]
    middle = feet.mean(axis=0)
    lean = math.tan(math.radians(camera.roll_deg))
    plumb = [(middle[0] + lean * (middle[1] - y), y) for y in (0.08 * height, middle[1])]
    level = [(x, middle[1] + lean * (x - middle[0])) for x in (0.05 * width, 0.95 * width)]
    for ends in (plumb, level, *([] if stick is None else [list(stick)])):
        points = [(round(x), round(y)) for x, y in ends]
        cv2.line(drawn, points[0], points[1], _PAPER, _LINE_PX + 3, cv2.LINE_AA)
        cv2.line(drawn, points[0], points[1], _INK, _LINE_PX, cv2.LINE_AA)
    for x, y in feet:
        cv2.circle(drawn, (round(x), round(y)), 9, _PAPER, 5, cv2.LINE_AA)
        cv2.circle(drawn, (round(x), round(y)), 9, _INK, 2, cv2.LINE_AA)
    picture.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(picture), drawn, [cv2.IMWRITE_JPEG_QUALITY, 85])
