"""A recorded passage, shown again as the page showed it: frames, zoom, lines, pointer and marks."""

from __future__ import annotations

import bisect
import math
from collections import deque
from collections.abc import Iterator, Sequence
from functools import cache
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image as Pictures
from PIL import ImageDraw, ImageFont

from lessonmark.errors import LessonmarkError, PackError
from lessonmark.language import say
from lessonmark.media.clip import Frame
from lessonmark.media.frames import read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.pack.take import Mark, PaneShown, ShownLine, Take
from lessonmark.pack.typeface import font_folder
from lessonmark.pack.video_plan import PaneClip

__all__ = ["CASING", "EMPTY", "PAIR_HEIGHT", "PAIR_WIDTH", "passage_pictures"]

PAIR_WIDTH, PAIR_HEIGHT = 1080, 720
EMPTY = (242, 237, 225)  # the paper's wash, where a half shows nothing
CASING = (33, 30, 26)
_HALF = PAIR_WIDTH // 2
_PAPER = (251, 248, 241)
_YELLOW = (240, 228, 66)  # Okabe and Ito's yellow in a dark casing, as on the page
_WHITE = (255, 255, 255)
_BEYOND = (22, 21, 15)  # beside the frame, as on the page
_DASH, _GAP = 12, 10  # px
_LABEL_PX = 30
_HELD = 16  # frames
_READ_ON_S = 0.5  # real seconds; a jump further than that is looked up
_TALLEST = 1920  # px; a larger frame is held smaller: the half picture is 720 high

Picture = npt.NDArray[np.uint8]


def passage_pictures(
    take: Take, panes: Sequence[PaneClip], *, frames: int, fps: float
) -> Iterator[Picture | None]:
    """Show again what the page showed while the coach spoke.

    Yields
    ------
    (PAIR_HEIGHT, PAIR_WIDTH, 3) RGB, or None where the frame is the one before it again.

    Raises
    ------
    PackError : a clip of the passage can no longer be read.
    """
    halves = [_Half(pane) for pane in panes]
    blank = np.empty((PAIR_HEIGHT, PAIR_WIDTH, 3), np.uint8)
    blank[:] = EMPTY
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
        pair = blank.copy()
        if number >= 0:
            shown = take.shown[number]
            for place, half, pane in zip(
                _places(len(panes)), halves, (shown.left, shown.right), strict=False
            ):
                if pane is not None:
                    other = next((one for one in halves if one is not half), None)
                    pair[:, place : place + _HALF] = half.picture(pane, other)
        if len(panes) > 1:
            pair[:, _HALF - 2 : _HALF + 2] = _PAPER
        for mark in marks:
            _draw_mark(pair, mark)
        if pointing >= 0:
            _draw_pointer(pair, take.pointer[pointing].x, take.pointer[pointing].y)
        yield pair


def _places(panes: int) -> tuple[int, ...]:
    return (0, _HALF) if panes > 1 else ((PAIR_WIDTH - _HALF) // 2,)


class _Half:
    """One swing's half of the pair."""

    def __init__(self, pane: PaneClip) -> None:
        self._pane = pane
        self._frames: _Frames | None = None
        self._last: tuple[PaneShown, Picture] | None = None

    def picture(self, shown: PaneShown, other: _Half | None) -> Picture:
        """Cut the frame as it was seen, the other swing over it where it was, and its lines."""
        if self._last is not None and self._last[0] == shown:
            return self._last[1]
        crop = shown.crop or self._pane.crop
        assert crop is not None
        left, top, _, bottom = crop
        scale = PAIR_HEIGHT / (bottom - top)
        made = self._cut(shown.s, scale, -left * scale, -top * scale)
        if shown.ghost is not None and other is not None:
            ghost = shown.ghost
            over = other._cut(
                ghost.s,
                scale * ghost.scale,
                (ghost.dx - left) * scale,
                (ghost.dy - top) * scale,
                beneath=made,
            )
            made = np.asarray(cv2.addWeighted(made, 0.5, over, 0.5, 0.0), dtype=np.uint8)
        _draw_lines(made, shown, left, top, scale)
        self._last = (shown, made)
        return made

    def _cut(
        self, s: float, scale: float, x: float, y: float, *, beneath: Picture | None = None
    ) -> Picture:
        """Lay the frame at `s` into the half picture; beside it the page's dark, or `beneath`."""
        try:
            if self._frames is None:
                self._frames = _Frames(self._pane)
            frame, shrunk = self._frames.at(s)
        except LessonmarkError as err:
            raise PackError(
                say("a clip of this lesson can no longer be played"),
                path=self._pane.path.name,
                do=say("put the clip back into the lesson's folder and make the video again"),
            ) from err
        turn = np.array([[scale / shrunk, 0.0, x], [0.0, scale / shrunk, y]])
        turn[:, 2] += 0.5 * scale / shrunk - 0.5  # OpenCV counts from pixel centres
        size = (_HALF, PAIR_HEIGHT)
        if beneath is None:
            cut = cv2.warpAffine(frame, turn, size, flags=cv2.INTER_LINEAR, borderValue=_BEYOND)
        else:
            cut = cv2.warpAffine(
                frame,
                turn,
                size,
                dst=beneath.copy(),
                flags=cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_TRANSPARENT,
            )
        return np.asarray(cut, dtype=np.uint8)


class _Frames:
    """A clip's frames, the last few held: a coach runs on slowly, and steps to and fro."""

    def __init__(self, pane: PaneClip) -> None:
        self._clip = probe_clip(pane.path, fps_declared=pane.fps_declared)
        self._frame_s = 1.0 / self._clip.fps_filmed
        self._held: deque[tuple[float, Picture]] = deque(maxlen=_HELD)
        self._coming: Iterator[Frame] = iter(())

    def at(self, s: float) -> tuple[Picture, float]:
        """Give the frame nearest to `s`, and by how much it is shrunk (1: not at all)."""
        if not self._reaches(s):
            self._held.clear()
            start_s = s - (_HELD // 2) * self._frame_s
            self._coming = read_frames(self._clip, start_s=start_s, max_height=_TALLEST)
        while not self._held or self._held[-1][0] < s:
            frame = next(self._coming, None)
            if frame is None:
                break
            self._held.append((frame.s, frame.image))  # shrunk: the decoder's own is larger
        if not self._held:
            raise PackError(say("this clip has no picture at {s} s", s=round(s, 2)))
        image = min(self._held, key=lambda held: abs(held[0] - s))[1]
        return image, image.shape[0] / self._clip.height

    def _reaches(self, s: float) -> bool:
        """Whether `s` is among the frames held, or so soon after that reading on is quicker."""
        if not self._held:
            return False
        return self._held[0][0] - 0.6 * self._frame_s <= s <= self._held[-1][0] + _READ_ON_S


def _draw_lines(half: Picture, shown: PaneShown, left: float, top: float, scale: float) -> None:
    """Draw measured lines and references as the page does: what was measured on top."""
    highest: tuple[float, float] | None = None
    for line in sorted(shown.lines, key=lambda one: one.measured):
        ends = [((x - left) * scale, (y - top) * scale) for x, y in line.points]
        _draw_line(half, ends, line)
        if line.measured:
            highest = min([*ends, *([highest] if highest else [])], key=lambda end: end[1])
    if shown.label and highest is not None:
        _draw_label(half, shown.label, highest)


def _draw_line(half: Picture, ends: Sequence[tuple[float, float]], line: ShownLine) -> None:
    for start, stop in pairwise(ends):
        whole = [(start, stop)] if line.measured else list(_dashes(start, stop))
        for colour, width in ((CASING, 9), (_YELLOW if line.measured else _WHITE, 5)):
            for a, b in whole:
                cv2.line(half, _pixel(a), _pixel(b), colour, width, cv2.LINE_AA)
    if line.measured:
        for end in ends:
            cv2.circle(half, _pixel(end), 7, CASING, -1, cv2.LINE_AA)
            cv2.circle(half, _pixel(end), 5, _YELLOW, -1, cv2.LINE_AA)


def _dashes(
    start: tuple[float, float], stop: tuple[float, float]
) -> Iterator[tuple[tuple[float, float], tuple[float, float]]]:
    length = math.dist(start, stop)
    for k in range(math.ceil(length / (_DASH + _GAP))):
        a, b = k * (_DASH + _GAP) / length, min((k * (_DASH + _GAP) + _DASH) / length, 1.0)
        yield _between(start, stop, a), _between(start, stop, b)


def _between(
    start: tuple[float, float], stop: tuple[float, float], share: float
) -> tuple[float, float]:
    return (
        start[0] + share * (stop[0] - start[0]),
        start[1] + share * (stop[1] - start[1]),
    )


def _pixel(at: tuple[float, float]) -> tuple[int, int]:
    # A line may leave the picture by far: OpenCV takes 16-bit places only.
    return (
        round(min(max(at[0], -9999.0), 9999.0)),
        round(min(max(at[1], -9999.0), 9999.0)),
    )


@cache
def _face() -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(font_folder() / "SourceSerifPro-Semibold.ttf"), _LABEL_PX)


def _draw_label(half: Picture, label: str, at: tuple[float, float]) -> None:
    wide, high = _face().getlength(label) + _LABEL_PX, _LABEL_PX * 1.5
    x = at[0] + (0.7 * _LABEL_PX if at[0] < _HALF / 2 else -0.7 * _LABEL_PX - wide)
    x = min(max(x, 4), _HALF - wide - 4)
    y = min(max(at[1] - 1.2 * high, 4), PAIR_HEIGHT - high - 4)
    picture = Pictures.fromarray(half)
    pen = ImageDraw.Draw(picture)
    pen.rounded_rectangle((x, y, x + wide, y + high), radius=0.14 * high, fill=_PAPER)
    pen.text((x + wide / 2, y + high / 2), label, fill=CASING, font=_face(), anchor="mm")
    half[:] = np.asarray(picture)


def _so_far(mark: Mark, at: float) -> list[tuple[int, int]]:
    if mark.until_s is not None and at >= mark.until_s:
        return []
    return [
        (round(x * PAIR_WIDTH), round(y * PAIR_HEIGHT)) for s, x, y in mark.points if s <= at
    ]  # fmt: skip


def _draw_mark(pair: Picture, points: list[tuple[int, int]]) -> None:
    if not points:
        return
    line = [np.array(points, np.int32).reshape(-1, 1, 2)]
    cv2.polylines(pair, line, False, CASING, 13, cv2.LINE_AA)
    cv2.polylines(pair, line, False, _YELLOW, 7, cv2.LINE_AA)


def _draw_pointer(pair: Picture, x: float | None, y: float | None) -> None:
    if x is None or y is None or not (math.isfinite(x) and math.isfinite(y)):
        return
    centre = (round(x * PAIR_WIDTH), round(y * PAIR_HEIGHT))
    cv2.circle(pair, centre, 17, CASING, -1, cv2.LINE_AA)
    cv2.circle(pair, centre, 13, _WHITE, -1, cv2.LINE_AA)
