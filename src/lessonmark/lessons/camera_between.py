"""Did the camera stand still between the stages? The background tells.

While it does, the camera's own errors (roll, off square, landmarks' definition) are the same before
and after and cancel in a difference; where it does not, or nobody can tell, they count in full.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import numpy as np
import numpy.typing as npt

from lessonmark.errors import LessonmarkError
from lessonmark.language import say
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding
from lessonmark.lessons.swing_source import SwingSource, rebuilt_swing
from lessonmark.measures.camera import golfer_mask
from lessonmark.measures.registration import Movement, register
from lessonmark.media.frames import read_frame_nearest
from lessonmark.media.probe import probe_clip
from lessonmark.words import Position, Stage, View

__all__ = ["CameraBetween", "camera_between", "compared_clips"]

# What a phone on a stand does by itself when somebody walks past; more means it was moved.
_SHIFT_SHARE = 0.006  # of the picture's height
_TURN_DEG = 0.4
_ZOOM_SHARE = 0.01
_LOOKED_AT = 3  # after-clips compared with the first before-clip: first, middle, last


class _Background(StrEnum):
    """What the pictures themselves say; kept, since the same pictures say the same again."""

    STILL = "still"
    MOVED = "moved"
    UNTOLD = "untold"  # too little stands still behind the golfer


@dataclass(frozen=True, kw_only=True)
class CameraBetween:
    """The camera of one view, before against after."""

    view: View
    moved: bool  # True also where it cannot be told
    note: str  # in words, for the sheet


def camera_between(
    view: View, clips: Sequence[ClipFinding], *, folder: Path, derived: Derived
) -> CameraBetween | None:
    """Compare the background of the after-clips with the first before-clip's.

    An answer is kept beside the tracks. Where a clip or its track cannot be read, that is said and
    not kept: it is looked at once it can be read again.

    Returns
    -------
    None where one of the stages has no clip from this view.
    """
    looked_at = compared_clips(view, clips)
    if not looked_at:
        return None
    key = hashlib.sha256("".join(c.track for c in looked_at).encode()).hexdigest()
    kept = derived.folder / f"camera-{key[:32]}.json"
    said = _known(kept)
    if said is None:
        said = _look(looked_at[0], looked_at[1:], folder=folder, derived=derived)
        if said is not None:
            unfinished = kept.with_suffix(".part")
            unfinished.write_text(json.dumps(said))
            unfinished.replace(kept)
    return CameraBetween(view=view, moved=said is not _Background.STILL, note=_note(view, said))


def compared_clips(view: View, clips: Sequence[ClipFinding]) -> list[ClipFinding]:
    """Choose the clips whose pictures are compared: the first before-clip, then after-clips."""
    before, after = (
        [clip for clip in clips if clip.view is view and clip.stage is stage and clip.swings]
        for stage in (Stage.BEFORE, Stage.AFTER)
    )
    if not before or not after:
        return []
    chosen = [after[0], after[len(after) // 2], after[-1]][: min(_LOOKED_AT, len(after))]
    return [before[0], *chosen]


def _known(kept: Path) -> _Background | None:
    """Read what was kept; what an earlier version kept of clips it could not read is no answer."""
    try:
        return _Background(json.loads(kept.read_text()))
    except (OSError, ValueError):
        return None


def _look(
    before: ClipFinding, after: Sequence[ClipFinding], *, folder: Path, derived: Derived
) -> _Background | None:
    """Compare the pictures; None where one of them cannot be had."""
    try:
        first = _address(before, folder=folder, derived=derived)
        for clip in after:
            second = _address(clip, folder=folder, derived=derived)
            if first is None or second is None:
                return None
            movement = register(first[0], second[0], first[1], second[1])
            if movement is None:
                return _Background.UNTOLD
            if _is_moved(movement, before.height):
                return _Background.MOVED
    except LessonmarkError:
        return None
    return _Background.STILL


def _is_moved(movement: Movement, height: int) -> bool:
    return (
        movement.shift_px - 2 * movement.se_px > _SHIFT_SHARE * height
        or abs(movement.turn_deg) > _TURN_DEG
        or abs(movement.zoom - 1) > _ZOOM_SHARE
    )


def _address(
    clip: ClipFinding, *, folder: Path, derived: Derived
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]] | None:
    """Give the grey picture at address, and where the golfer is in it."""
    track = derived.track(clip.track)
    swing = clip.swings[0]
    if track is None:
        return None
    seen = rebuilt_swing(SwingSource(folder=folder, clip=clip, swing=swing, track=track))
    found = swing.positions.found
    s = found[Position.P1].time.s if Position.P1 in found else swing.span_s[0]
    picture = read_frame_nearest(
        probe_clip(folder / clip.clip, fps_declared=clip.fps_filmed), s, grey=True
    )
    return picture.image, golfer_mask(seen, s)


def _note(view: View, said: _Background | None) -> str:
    if said is None:
        return say(
            "{view}: whether the camera stood still was not looked at, since a clip cannot be read "
            "now, so its own errors count in full. Bring the clip back and judge again.",
            view=say(view),
        )
    if said is _Background.STILL:
        return say("{view}: the camera stood still between before and after.", view=say(view))
    if said is _Background.MOVED:
        return say(
            "{view}: the camera was moved between before and after, so its own errors count in "
            "full. Leave the phone where it is next time.",
            view=say(view),
        )
    return say(
        "{view}: whether the camera stood still cannot be told from the background, so its own "
        "errors count in full.",
        view=say(view),
    )
