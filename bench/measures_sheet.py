"""Draw the worst case of every measure: the frame, what was tracked and what was true.

A contact sheet a view, `worst-face-on.png` and `worst-down-the-line.png`. The measure's own lines
are drawn twice: yellow with dots by the tracked points at the time that was found, blue with rings
by the true points at the true time. Written: measure, position, value, truth, the error against
what was stated for it (standard error), and the clip.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from lessonmark.measures.drawing import LineSeen, drawn_lines
from lessonmark.measures.registry import entry
from lessonmark.measures.seen import SwingSeen
from lessonmark.media.frames import read_frame_nearest
from lessonmark.media.probe import probe_clip
from lessonmark.words import Position, View
from measures_truth import TrueClip

if TYPE_CHECKING:
    from measures import Row

TILE = (300, 400)  # px, width and height of the picture
WORDS = 58  # px, of height below it
ACROSS = 6  # tiles
INK, PAPER, HALO = (30, 30, 30), (245, 245, 245), (20, 20, 20)
TRACKED, TRUE = (0, 220, 255), (255, 150, 40)  # BGR
FONT = cv2.FONT_HERSHEY_SIMPLEX
# The joints that the box is drawn about.
BODY_ENDS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "ear")
# Where a measure over a span is shown.
SHOWN_AT = {"backswing_time": Position.P1, "release_rate": Position.P8}


def write_sheets(rows: list[Row], swings: list[tuple[TrueClip, SwingSeen]], folder: Path) -> None:
    """Write the sheet of each view that has readings."""
    folder.mkdir(parents=True, exist_ok=True)
    by_label = {clip.label: (clip, swing) for clip, swing in swings}
    for view in View:
        of_view = [r for r in rows if r.view == view.value]
        worst: dict[str, Row] = {}
        for r in of_view:
            if r.at.measure not in worst or abs(r.error) > abs(worst[r.at.measure].error):
                worst[r.at.measure] = r
        if worst:
            tiles = [tile(r, *by_label[r.clip]) for r in worst.values()]
            blank = np.full_like(tiles[0], PAPER)
            tiles += [blank] * (-len(tiles) % ACROSS)
            lines = [np.hstack(tiles[i : i + ACROSS]) for i in range(0, len(tiles), ACROSS)]
            cv2.imwrite(str(folder / f"worst-{view.value}.png"), np.vstack(lines))


def tile(row: Row, clip: TrueClip, swing: SwingSeen) -> np.ndarray:
    """One reading on its frame, BGR."""
    measure = entry(row.at.measure)
    at = row.at.position or SHOWN_AT.get(measure.id, Position.P4)
    true = clip.swing(clip.true_track(), ball=swing.ball, camera=swing.camera)
    s = swing.positions[at].time.s
    frame = read_frame_nearest(probe_clip(clip.path.with_suffix(".mp4")), s)
    image = cv2.cvtColor(frame.image, cv2.COLOR_RGB2BGR)
    left, top, size = _box(true, at)
    corner, scale = np.array([left, top]), TILE[1] / size
    image = _cut(image, left, top, size)
    # By the truth's own points where the true track lacks the time's neighbours.
    shown = replace(true, positions=clip.positions())
    for lines, colour in ((drawn_lines(measure, shown, at), TRUE),
                          (drawn_lines(measure, swing, at), TRACKED)):  # fmt: skip
        for line in lines:
            _draw(image, line, corner, scale, colour, rings=colour is TRUE)
    stated = float(np.hypot(row.se, row.systematic))
    words = (
        f"{row.at} [{measure.unit or '-'}]",
        f"{row.value:.1f} true {row.truth:.1f}: {row.error:+.1f}, said +-{stated:.1f}",
        row.clip,
    )
    below = np.full((WORDS, TILE[0], 3), PAPER, np.uint8)
    for i, word in enumerate(words):
        cv2.putText(below, word, (6, 16 + 18 * i), FONT, 0.42, INK, 1, cv2.LINE_AA)
    return np.vstack([image, below])


def _box(true: SwingSeen, at: Position) -> tuple[int, int, int]:
    """Left, top and height, px, of the part of the picture that is shown: the golfer in it."""
    # By the body's own joints: the club reaches far out, and a ball in flight farther still.
    joints = [n for n in true.track.keypoint.values if str(n).endswith(BODY_ENDS)]
    place = (
        true.track.position.sel(keypoint=joints)
        .sel(time=true.positions[at].time.s, method="nearest")
        .transpose("space", "keypoint")
        .values
    )
    low, high = np.nanmin(place, axis=1), np.nanmax(place, axis=1)
    size = 1.12 * max(high[1] - low[1], (high[0] - low[0]) * TILE[1] / TILE[0])
    middle = (low + high) / 2
    width = size * TILE[0] / TILE[1]
    return round(middle[0] - width / 2), round(middle[1] - size / 2), round(size)


def _cut(image: np.ndarray, left: int, top: int, size: int) -> np.ndarray:
    corners = np.array([[left, top], [left + size * TILE[0] / TILE[1], top], [left, top + size]])
    ends = np.array([[0, 0], [TILE[0], 0], [0, TILE[1]]])
    way = cv2.getAffineTransform(corners.astype(np.float32), ends.astype(np.float32))
    return cv2.warpAffine(image, way, TILE, flags=cv2.INTER_AREA, borderValue=(160, 160, 160))


def _draw(
    image: np.ndarray,
    line: LineSeen,
    corner: np.ndarray,
    scale: float,
    colour: tuple[int, int, int],
    *,
    rings: bool,
) -> None:
    points = np.round((np.array(line.points) - corner) * scale).astype(int)
    wide = 2 if line.role == "measured" else 1
    cv2.polylines(image, [points], False, HALO, wide + 2, cv2.LINE_AA)
    cv2.polylines(image, [points], False, colour, wide, cv2.LINE_AA)
    if line.role == "measured":
        for x, y in points.tolist():
            cv2.circle(image, (x, y), 6 if rings else 3, HALO, 2 if rings else -1, cv2.LINE_AA)
            cv2.circle(image, (x, y), 6 if rings else 3, colour, 1 if rings else -1, cv2.LINE_AA)
