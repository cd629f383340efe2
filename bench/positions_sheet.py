"""Draw P1 to P10 of a clip with the tracked club, as one picture to look at.

    python bench/positions_sheet.py CLIP.mp4 OUT.jpg --cache FOLDER --name NAME

NAME is the clip's name in the cache that `bench/positions.py` keeps; its truth lies beside it.
"""

from __future__ import annotations

import argparse
import json
import textwrap
from pathlib import Path

import cv2
import numpy as np
import xarray as xr

from lessonmark.media.frames import read_frame_nearest
from lessonmark.media.probe import probe_clip
from lessonmark.positions.find import find_positions
from lessonmark.positions.swings import find_swings
from lessonmark.positions.times import SwingPositions
from lessonmark.words import Position, View
from positions_tracks import Seen, see

TILE = (250, 300)  # px, width and height
LABEL = 22  # px, of the tile's height
INK, PAPER, LINE, HALO = (30, 30, 30), (245, 245, 245), (0, 220, 255), (20, 20, 20)
FONT = cv2.FONT_HERSHEY_SIMPLEX


def sheet(path: Path, seen: Seen, found: SwingPositions) -> np.ndarray:
    """Two rows of five tiles, BGR."""
    clip = probe_clip(path)
    box = _box(seen.track, found)
    tiles = []
    for position in Position:
        if position not in found:
            tiles.append(_empty(position, found.missing.get(position, "")))
            continue
        at = found[position].time
        frame = read_frame_nearest(clip, at.s)
        image = cv2.cvtColor(frame.image, cv2.COLOR_RGB2BGR)
        _draw_club(image, seen.track, frame.s)
        tile = _cut(image, box)
        _write(tile, f"{position}  {at.s:.3f} s +- {at.se * 1e3:.1f} ms")
        tiles.append(tile)
    return np.vstack([np.hstack(tiles[:5]), np.hstack(tiles[5:])])


def _box(track: xr.Dataset, found: SwingPositions) -> tuple[int, int, int, int]:
    """The part of the picture that holds the player and the club at every position."""
    times = [found[p].time.s for p in found.found]
    part = track.position.sel(time=times, method="nearest")
    x, y = (part.sel(space=axis).values for axis in ("x", "y"))
    left, right = float(np.nanmin(x)) - 15, float(np.nanmax(x)) + 15
    top, bottom = float(np.nanmin(y)) - 15, float(np.nanmax(y)) + 15
    bottom += (bottom - top) * LABEL / (TILE[1] - LABEL)
    # Widen one way or the other to the tile's shape.
    wide = max(right - left, (bottom - top) * TILE[0] / TILE[1])
    tall = wide * TILE[1] / TILE[0]
    middle = (left + right) / 2
    top = bottom - tall
    return int(middle - wide / 2), int(top), int(middle + wide / 2), int(bottom)


def _cut(image: np.ndarray, box: tuple[int, int, int, int]) -> np.ndarray:
    left, top, right, bottom = box
    height, width = image.shape[:2]
    edges = [max(0, -top), max(0, bottom - height), max(0, -left), max(0, right - width)]
    wider = cv2.copyMakeBorder(image, *edges, cv2.BORDER_CONSTANT, value=PAPER)
    part = wider[top + edges[0] : bottom + edges[0], left + edges[2] : right + edges[2]]
    return cv2.resize(part, TILE, interpolation=cv2.INTER_AREA)


def _draw_club(image: np.ndarray, track: xr.Dataset, s: float) -> None:
    if "clubhead" not in track.keypoint:
        return
    now = track.sel(time=s, method="nearest")
    butt, head = (
        tuple(round(float(v)) for v in now.position.sel(keypoint=name).values)
        for name in ("grip_butt", "clubhead")
    )
    for color, thick in ((HALO, 4), (LINE, 2)):
        cv2.line(image, butt, head, color, thick, cv2.LINE_AA)
    seen = bool(now.shaft_seen.values > 0.5)
    cv2.circle(image, head, 6, LINE, 2 if seen else 1, cv2.LINE_AA)


def _write(tile: np.ndarray, text: str) -> None:
    cv2.rectangle(tile, (0, TILE[1] - LABEL), (TILE[0], TILE[1]), PAPER, -1)
    cv2.putText(tile, text, (6, TILE[1] - 7), FONT, 0.45, INK, 1, cv2.LINE_AA)


def _empty(position: Position, reason: str) -> np.ndarray:
    tile = np.full((TILE[1], TILE[0], 3), 225, np.uint8)
    for i, line in enumerate(textwrap.wrap(reason, 30)):
        cv2.putText(tile, line, (12, 130 + 18 * i), FONT, 0.42, INK, 1, cv2.LINE_AA)
    _write(tile, f"{position}  missing")
    return tile


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("clip", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--cache", type=Path, required=True)
    parser.add_argument("--name", required=True)
    args = parser.parse_args()
    truth = json.loads(args.clip.with_suffix(".json").read_text())
    seen = see(args.clip, truth, cache=args.cache, name=args.name)
    found = find_positions(
        seen.track,
        find_swings(seen.track)[0],
        view=View(truth["camera"]["view"]),
        sign_target=1 if truth["camera"]["sign_u"] > 0 else -1,
        strikes=seen.strikes,
        ball_left=seen.ball_left,
        ball=seen.ball,
    )
    cv2.imwrite(str(args.out), sheet(args.clip, seen, found), [cv2.IMWRITE_JPEG_QUALITY, 82])


if __name__ == "__main__":
    main()
