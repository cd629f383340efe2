"""The picture pair of a scene, moment by moment: frames cut as the stills were, lines, pointer."""

from __future__ import annotations

import bisect
import math
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
from lessonmark.pack.drawing import overlay_svg
from lessonmark.pack.pictures import data_uri
from lessonmark.pack.take import Mark, Take
from lessonmark.pack.typeface import know_the_typeface
from lessonmark.pack.video_plan import Scene, Side

__all__ = ["PAIR_HEIGHT", "PAIR_WIDTH", "pair_pictures"]

PAIR_WIDTH, PAIR_HEIGHT = 1080, 720
_HALF = PAIR_WIDTH // 2
_PAPER = (251, 248, 241)
_EMPTY = (242, 237, 225)  # the paper's wash, where a half shows nothing
_MARK = (240, 228, 66)  # Okabe and Ito's yellow in a dark casing, as the measured lines
_CASING = (33, 30, 26)

Image = npt.NDArray[np.uint8]


def pair_pictures(
    scene: Scene, *, folder: Path, pictures: Path, fps: float
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
        yield from _passage(scene, frames, folder, fps)
    elif scene.kind == "hold":
        yield _beside([_still(side, pictures) for side in scene.sides])
        yield from (None for _ in range(frames - 1))
    elif scene.kind == "take" and scene.take is not None:
        yield from _as_recorded(scene, scene.take.take, frames, folder, pictures, fps)
    else:
        yield from (None for _ in range(frames))


def _passage(scene: Scene, frames: int, folder: Path, fps: float) -> Iterator[Image | None]:
    sources = [_moments(scene, side, frames, fps) for side in scene.sides]
    streams = [
        _stream(side, times, folder) for side, times in zip(scene.sides, sources, strict=True)
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


def _stream(side: Side, times: Sequence[float], folder: Path) -> Iterator[Image]:
    """Give the half picture for each of `times`, which do not fall."""
    shown: Image | None = None
    waiting = iter(times)
    at = next(waiting)
    half_frame = 0.5 / side.fps_filmed
    for s, image in _halves(side, times[0], times[-1], folder):
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
    side: Side, start_s: float, stop_s: float, folder: Path
) -> Iterator[tuple[float, Image]]:
    assert side.swing is not None
    assert side.still.crop is not None
    frame_s = 1.0 / side.fps_filmed
    left, top, _, bottom = side.still.crop
    scale = PAIR_HEIGHT / (bottom - top)
    turn = np.array([[scale, 0.0, -left * scale], [0.0, scale, -top * scale]])
    turn[:, 2] += 0.5 * scale - 0.5  # OpenCV counts from pixel centres
    try:
        clip = probe_clip(folder / side.swing.clip, fps_declared=side.fps_filmed)
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
    half[:] = _EMPTY
    x, y = (_HALF - size[0]) // 2, (PAIR_HEIGHT - size[1]) // 2
    half[y : y + size[1], x : x + size[0]] = fitted
    return half


def _beside(halves: Sequence[Image]) -> Image:
    pair = np.concatenate(list(halves), axis=1)
    pair[:, _HALF - 2 : _HALF + 2] = _PAPER
    return pair


def _as_recorded(
    scene: Scene, take: Take, frames: int, folder: Path, pictures: Path, fps: float
) -> Iterator[Image | None]:
    """Show again what the page showed while the coach spoke."""
    empty = np.empty((PAIR_HEIGHT, _HALF, 3), np.uint8)
    empty[:] = _EMPTY
    stores = [_HalfStore(side, times, folder) for side, times in _wanted(scene, take)]
    drawn = [_still(side, pictures) for side in scene.sides] if _any_lines(take) else []
    shown_at = [one.at_s for one in take.shown]
    pointed_at = [one.at_s for one in take.pointer]
    before: object = None
    for k in range(frames):
        at = k / fps
        number = bisect.bisect_right(shown_at, at) - 1
        pointing = bisect.bisect_right(pointed_at, at) - 1
        marks = [_so_far(mark, at) for mark in take.marks]
        state = (number, pointing, [len(mark) for mark in marks])
        if state == before:
            yield None
            continue
        before = state
        halves = [empty, empty]
        if number >= 0 and stores:
            shown = take.shown[number]
            for half, s in enumerate((shown.before_s, shown.after_s)):
                if s is not None:
                    halves[half] = drawn[half] if shown.lines else stores[half].at(s)
        pair = _beside(halves)
        for mark in marks:
            _draw_mark(pair, mark)
        if pointing >= 0:
            _draw_pointer(pair, take.pointer[pointing].x, take.pointer[pointing].y)
        yield pair


def _any_lines(take: Take) -> bool:
    return any(shown.lines for shown in take.shown)


def _wanted(scene: Scene, take: Take) -> Iterator[tuple[Side, list[float]]]:
    for half, side in enumerate(scene.sides):
        if side.moves:
            times = (
                (shown.before_s, shown.after_s)[half] for shown in take.shown if not shown.lines
            )
            yield side, sorted({s for s in times if s is not None})


class _HalfStore:
    """The few moments of a swing that a take shows, decoded once in their order."""

    def __init__(self, side: Side, times: list[float], folder: Path) -> None:
        self._times = times
        self._images: list[Image] = list(_stream(side, times, folder)) if times else []

    def at(self, s: float) -> Image:
        return self._images[bisect.bisect_left(self._times, s)]


def _so_far(mark: Mark, at: float) -> list[tuple[int, int]]:
    if mark.until_s is not None and at >= mark.until_s:
        return []
    return [
        (round(x * PAIR_WIDTH), round(y * PAIR_HEIGHT)) for s, x, y in mark.points if s <= at
    ]  # fmt: skip


def _draw_mark(pair: Image, points: list[tuple[int, int]]) -> None:
    if not points:
        return
    line = [np.array(points, np.int32).reshape(-1, 1, 2)]
    cv2.polylines(pair, line, False, _CASING, 13, cv2.LINE_AA)
    cv2.polylines(pair, line, False, _MARK, 7, cv2.LINE_AA)


def _draw_pointer(pair: Image, x: float | None, y: float | None) -> None:
    if x is None or y is None or not (math.isfinite(x) and math.isfinite(y)):
        return
    centre = (round(x * PAIR_WIDTH), round(y * PAIR_HEIGHT))
    cv2.circle(pair, centre, 17, _CASING, -1, cv2.LINE_AA)
    cv2.circle(pair, centre, 13, (255, 255, 255), -1, cv2.LINE_AA)
