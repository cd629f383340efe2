"""What the camera check says where the camera's place is known, and what the measures hold."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

import numpy as np

from lessonmark.measures.registry import entry
from lessonmark.measures.seen import SwingSeen
from lessonmark.words import Position
from measures_truth import TrueClip
from square import camera_yaw

if TYPE_CHECKING:
    from measures import Row

BANDS = ((0, 5), (5, 14), (14, 40))  # deg off square, either way


def true_yaw(clip: TrueClip) -> float | None:
    """How far the camera truly stands off square, deg; None where the clip's file has no place."""
    place = clip.json["camera"].get("place")
    return camera_yaw(clip, Position.P1) if place is not None else clip.json["camera"].get("yaw")


def print_cameras(swings: list[tuple[TrueClip, SwingSeen]]) -> None:
    """What the camera check says of each clip, against the truth where the clip's file has it."""
    print("\ncamera: off square found (true), smear at impact, cm")
    for clip, swing in swings:
        camera, yaw = swing.camera, true_yaw(clip)
        if camera is None:
            continue
        found = "-" if camera.yaw_deg is None else f"{camera.yaw_deg:.1f} ± {camera.yaw_se_deg:.1f}"
        said = "-" if yaw is None else f"{yaw:.1f}"
        blur = "-" if camera.blur_cm is None else f"{camera.blur_cm:.1f}"
        shutter = clip.json["camera"].get("shutter")
        print(
            f"{clip.label:36s} {found:>14s} ({said})  smear {blur}"
            f"{'' if shutter is None else f', shutter 1/{1 / shutter:.0f} s'}"
        )


def print_off_square(rows: list[Row], swings: list[tuple[TrueClip, SwingSeen]]) -> None:
    """By how far the camera stood off square: whether it was said, and what the measures hold."""
    band_of = {}
    said: dict[tuple[str, tuple[int, int]], list[bool]] = defaultdict(list)
    for clip, swing in swings:
        yaw = true_yaw(clip)
        if yaw is None or "place" not in clip.json["camera"] or swing.camera is None:
            continue
        band = next(b for b in BANDS if b[0] <= min(abs(yaw), 39.0) < b[1])
        band_of[clip.label] = band
        line = swing.camera.lines[1]
        said[clip.view.value, band].append("Square: no" in line or "probably not" in line)
    if not band_of:
        return
    for view in dict.fromkeys(view for view, _ in said):
        print(f"\n{view}, by how far the camera stood off square: RMS, share inside the 95 %")
        heads = [
            f"{band[0]} to {band[1]}: {sum(said[view, band])} of {len(said[view, band])} told"
            for band in BANDS
        ]
        print(f"{'':24s} " + " ".join(f"{head:>22s}" for head in heads))
        groups: dict[str, dict[tuple[int, int], list[Row]]] = defaultdict(lambda: defaultdict(list))
        for r in rows:
            if r.view == view and r.clip in band_of:
                groups["all"][band_of[r.clip]].append(r)
                groups[f"{r.at.measure} ({entry(r.at.measure).unit or '-'})"][
                    band_of[r.clip]
                ].append(r)
        for measure, by_band in groups.items():
            print(f"{measure:24s} " + " ".join(f"{_held(by_band[band]):>22s}" for band in BANDS))


def _held(rows: list[Row]) -> str:
    if not rows:
        return "-"
    rms = float(np.sqrt(np.mean([r.error**2 for r in rows])))
    inside = 100 * float(np.mean([r.covered for r in rows]))
    return f"{rms:.1f}, {inside:.0f} % of {len(rows)}"
