"""The picture pair of a scene, moment by moment: frames cut as the stills were, or as recorded."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import vl_convert

from lessonmark.errors import LessonmarkError, PackError
from lessonmark.language import say
from lessonmark.media.frames import read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.pack.clip_places import ClipPlaces, clip_place
from lessonmark.pack.drawing import overlay_svg
from lessonmark.pack.pictures import data_uri
from lessonmark.pack.typeface import know_the_typeface
from lessonmark.pack.video_plan import PaneClip, Scene, Side
from lessonmark.pack.video_take import EMPTY, PAIR_HEIGHT, PAIR_WIDTH, passage_pictures

__all__ = ["pair_pictures"]

_HALF = PAIR_WIDTH // 2
_PAPER = (251, 248, 241)

Image = npt.NDArray[np.uint8]


def pair_pictures(
    scene: Scene, *, where: ClipPlaces, pictures: Path, fps: float
) -> Iterator[Image | None]:
    """Give a scene's picture pair frame by frame.

    Yields
    ------
    (PAIR_HEIGHT, PAIR_WIDTH, 3) RGB, or None where the frame is the one before it again, or where
    the scene has no pictures at all. An image is only good until the next one is asked for.

    Raises
    ------
    PackError : a clip of the lesson can no longer be read.
    """
    frames = max(1, round(scene.duration_s * fps))
    if scene.kind in ("whole", "passage"):
        yield from _passage(scene, frames, where, fps)
    elif scene.kind == "hold":
        yield _beside([_still(side, pictures) for side in scene.sides])
        yield from (None for _ in range(frames - 1))
    elif scene.kind == "take" and scene.take is not None:
        panes = scene.take.panes
        if not panes and all(side.moves for side in scene.sides):
            panes = tuple(_pane(side, where) for side in scene.sides)
        yield from passage_pictures(scene.take.take, panes, frames=frames, fps=fps)
    else:
        yield from (None for _ in range(frames))


def _passage(scene: Scene, frames: int, where: ClipPlaces, fps: float) -> Iterator[Image | None]:
    sources = [_moments(scene, side, frames, fps) for side in scene.sides]
    streams = [
        _stream(side, times, where) for side, times in zip(scene.sides, sources, strict=True)
    ]
    for halves in zip(*streams, strict=True):
        yield _beside(halves)


def _moments(scene: Scene, side: Side, frames: int, fps: float) -> list[float]:
    assert side.swing is not None
    assert scene.around is not None
    around = side.swing.positions[scene.around].time.s
    start, stop = side.swing.span_s
    wanted = (around + scene.from_s + k / fps * scene.speed for k in range(frames))
    return [min(max(at, start), stop) for at in wanted]


def _stream(side: Side, times: Sequence[float], where: ClipPlaces) -> Iterator[Image]:
    """Give the half picture for each of `times`, which do not fall."""
    shown: Image | None = None
    waiting = iter(times)
    at = next(waiting)
    half_frame = 0.5 / side.fps_filmed
    for s, image in _halves(side, times[0], times[-1], where):
        if shown is None:
            shown = image
        while at < s - half_frame:
            yield shown
            following = next(waiting, None)
            if following is None:
                return
            at = following
        shown = image
    if shown is None:
        raise _gone(side)
    yield shown
    for _ in waiting:
        yield shown


def _halves(
    side: Side, start_s: float, stop_s: float, where: ClipPlaces
) -> Iterator[tuple[float, Image]]:
    assert side.swing is not None
    assert side.still.crop is not None
    frame_s = 1.0 / side.fps_filmed
    left, top, _, bottom = side.still.crop
    scale = PAIR_HEIGHT / (bottom - top)
    turn = np.array([[scale, 0.0, -left * scale], [0.0, scale, -top * scale]])
    turn[:, 2] += 0.5 * scale - 0.5  # OpenCV counts from pixel centres
    try:
        clip = probe_clip(clip_place(where, side.swing.clip), fps_declared=side.fps_filmed)
        for frame in read_frames(clip, start_s=start_s - frame_s, stop_s=stop_s + frame_s):
            cut = cv2.warpAffine(
                frame.image,
                turn,
                (_HALF, PAIR_HEIGHT),
                flags=cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            yield frame.s, np.asarray(cut, dtype=np.uint8)
    except LessonmarkError as err:
        raise _gone(side) from err


def _pane(side: Side, where: ClipPlaces) -> PaneClip:
    assert side.swing is not None
    return PaneClip(
        path=clip_place(where, side.swing.clip),
        fps_declared=side.fps_filmed,
        stage=side.swing.stage,
        crop=side.still.crop,
    )


def _gone(side: Side) -> PackError:
    return PackError(
        say("a clip of this lesson can no longer be played"),
        path=side.swing.clip if side.swing else side.still.swing_id,
        do=say("put the clip back into the lesson's folder and make the video again"),
    )


def _still(side: Side, pictures: Path) -> Image:
    """Draw the still with its measured lines, as the sheet does."""
    know_the_typeface()
    svg = overlay_svg(
        side.still, href=data_uri(pictures / side.still.jpeg), words=side.still.caption
    )
    sized = svg.replace(
        "<svg ", f'<svg width="{side.still.width}" height="{side.still.height}" ', 1
    )
    drawn = cv2.imdecode(
        np.frombuffer(vl_convert.svg_to_png(sized), np.uint8), cv2.IMREAD_COLOR
    )  # fmt: skip
    assert drawn is not None
    rgb = cv2.cvtColor(drawn, cv2.COLOR_BGR2RGB)
    scale = min(_HALF / rgb.shape[1], PAIR_HEIGHT / rgb.shape[0])
    size = (round(rgb.shape[1] * scale), round(rgb.shape[0] * scale))
    fitted = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    half = np.empty((PAIR_HEIGHT, _HALF, 3), np.uint8)
    half[:] = EMPTY
    x, y = (_HALF - size[0]) // 2, (PAIR_HEIGHT - size[1]) // 2
    half[y : y + size[1], x : x + size[0]] = fitted
    return half


def _beside(halves: Sequence[Image]) -> Image:
    pair = np.concatenate(list(halves), axis=1)
    pair[:, _HALF - 2 : _HALF + 2] = _PAPER
    return pair
