"""A swing that was measured before, with everything needed to measure or draw it again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import xarray as xr

from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.measures.seen import SwingSeen
from lessonmark.positions.times import SwingPositions

__all__ = ["SwingSource", "find_source", "rebuilt_swing"]


@dataclass(frozen=True, kw_only=True)
class SwingSource:
    """A swing with the clip that it is in."""

    folder: Path  # the lesson's
    clip: ClipFinding
    swing: SwingFinding
    track: xr.Dataset


def find_source(
    swing_id: str, clips: Sequence[ClipFinding], *, folder: Path, derived: Derived
) -> SwingSource | None:
    """Look a swing up by its id; None where it is unknown or its track is no longer kept."""
    for clip in clips:
        for swing in clip.swings:
            if swing.swing_id == swing_id:
                track = derived.track(clip.track)
                if track is None:
                    return None
                return SwingSource(folder=folder, clip=clip, swing=swing, track=track)
    return None


def rebuilt_swing(source: SwingSource, positions: SwingPositions | None = None) -> SwingSeen:
    """Gather again what a swing's measures were taken from, at other positions where given."""
    return SwingSeen(
        track=source.track,
        positions=source.swing.positions if positions is None else positions,
        view=source.clip.view,
        handedness=source.clip.handedness_seen,
        toward=source.swing.toward,
        width=source.clip.width,
        height=source.clip.height,
        fps=source.clip.fps_filmed,
        scale=source.clip.scale,
        ball=source.swing.ball,
        camera=source.clip.camera,
        stature_cm=source.clip.stature_cm,
    )
