"""Still pictures of a position, before and after, cut alike, with the measured lines' places."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import cv2
import numpy as np

from lessonmark.errors import LessonmarkError
from lessonmark.language import say
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import (
    ClipFinding,
    DrawnLine,
    PicturePair,
    StageValues,
    StillPicture,
)
from lessonmark.lessons.swing_source import SwingSource, find_source, rebuilt_swing
from lessonmark.measures.drawing import drawn_lines
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.registry import entry as catalogue_entry
from lessonmark.media.frames import read_frame_nearest
from lessonmark.media.probe import probe_clip
from lessonmark.words import Position

__all__ = ["picture_pair", "still_picture"]

_HEIGHT = 960  # px: sharp on a phone held close
_JPEG_QUALITY = 85
_ROOM = 0.12  # of the golfer's height, left free on every side
_ASPECT = 3 / 4  # width over height: two stand beside each other on a phone


def picture_pair(
    at: MeasureAt,
    before: StageValues,
    after: StageValues,
    clips: Sequence[ClipFinding],
    *,
    folder: Path,
    derived: Derived,
    pictures: Path,
    captions: Mapping[str, str],
) -> PicturePair | None:
    """Cut the pair of stills that shows a focus measure best.

    Each is the swing whose value lies nearest its stage's middle: the typical one, not the best.

    Returns
    -------
    None where the measure has no position, or a clip can no longer be read.
    """
    if at.position is None:
        return None
    stills = []
    for values in (before, after):
        if not values.values:
            return None
        middle = float(np.median([value.value for value in values.values]))
        nearest = int(np.argmin([abs(value.value - middle) for value in values.values]))
        swing_id = values.swing_ids[nearest]
        source = find_source(swing_id, clips, folder=folder, derived=derived)
        if source is None:
            return None
        try:
            stills.append(
                still_picture(
                    source, at, at.position, pictures=pictures, caption=captions[swing_id]
                )
            )
        except LessonmarkError:
            return None
    return PicturePair(before=stills[0], after=stills[1])


def still_picture(
    source: SwingSource, at: MeasureAt, position: Position, *, pictures: Path, caption: str
) -> StillPicture:
    """Cut one still and find where the measured lines lie on it.

    Raises
    ------
    UnreadableClip : the clip can no longer be read.
    """
    clip = probe_clip(source.folder / source.clip.clip, fps_declared=source.clip.fps_filmed)
    frame = read_frame_nearest(clip, source.swing.positions[position].time.s)
    left, top, right, bottom = _crop(source)
    scale = _HEIGHT / (bottom - top)
    width = round((right - left) * scale)
    # Beyond the frame's edge the border is drawn out, so that both pictures keep one shape.
    turn = np.array([[scale, 0.0, -left * scale], [0.0, scale, -top * scale]])
    turn[:, 2] += 0.5 * scale - 0.5  # OpenCV counts from pixel centres
    cut = cv2.warpAffine(
        frame.image, turn, (width, _HEIGHT), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE
    )
    name = hashlib.sha256(f"{source.clip.track}{source.swing.number}{at}".encode()).hexdigest()
    file = f"{name[:20]}.jpg"
    pictures.mkdir(parents=True, exist_ok=True)
    good, data = cv2.imencode(
        ".jpg", cv2.cvtColor(cut, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY]
    )
    if not good:
        raise LessonmarkError(say("a still picture could not be written"), path=pictures / file)
    unfinished = pictures / f"{file}.part"
    unfinished.write_bytes(data.tobytes())
    unfinished.replace(pictures / file)
    lines = drawn_lines(catalogue_entry(at.measure), rebuilt_swing(source), position)
    return StillPicture(
        swing_id=source.swing.swing_id,
        position=position,
        jpeg=file,
        width=width,
        height=_HEIGHT,
        lines=tuple(
            DrawnLine(
                points=tuple(((x - left) * scale, (y - top) * scale) for x, y in line.points),
                role=line.role,
            )
            for line in lines
        ),
        caption=caption,
        crop=(left, top, right, bottom),
    )


def _crop(source: SwingSource) -> tuple[float, float, float, float]:
    """Frame the golfer from address to finish, club aside: left, top, right, bottom, px.

    It hangs on the whole swing and not on the moment, so that both pictures of a pair are alike.
    """
    start, stop = source.swing.span_s
    body = [name for name in source.track["keypoint"].values if str(name) != "clubhead"]
    place = source.track["position"].sel(time=slice(start, stop), keypoint=body)
    low = place.quantile(0.02, dim=("time", "keypoint"), skipna=True).values
    high = place.quantile(0.98, dim=("time", "keypoint"), skipna=True).values
    tall = (high[1] - low[1]) * (1 + 3 * _ROOM)
    tall = max(tall, (high[0] - low[0]) * (1 + 2 * _ROOM) / _ASPECT)
    middle_x, middle_y = (low + high) / 2
    middle_y -= 0.04 * tall  # the hands rise above the head
    wide = tall * _ASPECT
    return middle_x - wide / 2, middle_y - tall / 2, middle_x + wide / 2, middle_y + tall / 2
