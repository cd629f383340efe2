"""A clip's frames as single JPEGs in one file, so that a page can show exactly the n-th.

`frames-1.pack` holds the JPEGs one after the other, `frames-1.json` where each begins and when it
was shown. Both are derived: they may be deleted and are made again.
"""

from __future__ import annotations

import os
import threading
from dataclasses import asdict, dataclass
from pathlib import Path

import cv2
from pydantic import TypeAdapter, ValidationError

from lessonmark.errors import UnreadableClip
from lessonmark.lessons.files import write_whole
from lessonmark.media.frames import read_frames
from lessonmark.media.probe import probe_clip

__all__ = ["FramePack", "frame_pack"]

NAME = "frames-1"
# px: sharp on a projector beside another picture; a 4K clip would only cost disk and time.
MOST_HEIGHT = 1280
JPEG_QUALITY = 82
_making = threading.Lock()


@dataclass(frozen=True, kw_only=True)
class FramePack:
    """Where the frames of a clip lie in its pack."""

    path: Path
    width: int  # px, of the JPEGs
    height: int
    full_width: int  # px, of the clip: what tracks are given in
    full_height: int
    times: tuple[float, ...]  # s on the clip's own clock, one a frame
    offsets: tuple[int, ...]  # bytes; one more than there are frames


_INDEX: TypeAdapter[FramePack] = TypeAdapter(FramePack)


def frame_pack(clip: Path, folder: Path, *, fps_declared: float | None = None) -> FramePack:
    """Give a clip's frame pack, made where it is not there yet.

    A clip that breaks off gives the frames up to there.

    Raises
    ------
    UnreadableClip : not one frame can be decoded.
    """
    there = _read(folder)
    if there is not None:
        return there
    with _making:  # two panes of one page would otherwise make it twice
        return _read(folder) or _make(clip, folder, fps_declared)


def _read(folder: Path) -> FramePack | None:
    try:
        pack = _INDEX.validate_json((folder / f"{NAME}.json").read_bytes())
        path = folder / f"{NAME}.pack"
        if path.stat().st_size != pack.offsets[-1]:
            return None
    except (OSError, ValidationError):
        return None
    return FramePack(**{**asdict(pack), "path": path})


def _make(clip: Path, folder: Path, fps_declared: float | None) -> FramePack:
    info = probe_clip(clip, fps_declared=fps_declared)
    unfinished = folder / f"{NAME}.pack.part"
    times: list[float] = []
    offsets = [0]
    width = height = 0
    with open(unfinished, "wb") as out:
        try:
            for frame in read_frames(info, max_height=MOST_HEIGHT):
                height, width = frame.image.shape[:2]
                good, jpeg = cv2.imencode(
                    ".jpg",
                    cv2.cvtColor(frame.image, cv2.COLOR_RGB2BGR),
                    [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY],
                )
                if not good:
                    raise UnreadableClip("a frame could not be written as a picture", path=clip)
                out.write(jpeg.tobytes())
                offsets.append(out.tell())
                times.append(round(frame.s, 6))
        except UnreadableClip:
            if not times:
                raise
        out.flush()
        os.fsync(out.fileno())
    os.replace(unfinished, folder / f"{NAME}.pack")
    pack = FramePack(
        path=folder / f"{NAME}.pack",
        width=width,
        height=height,
        full_width=info.width,
        full_height=info.height,
        times=tuple(times),
        offsets=tuple(offsets),
    )
    write_whole(folder / f"{NAME}.json", _INDEX.dump_json(pack))
    return pack
