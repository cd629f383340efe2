"""What was measured of a clip and kept beside it, found again for one of its swings."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import xarray as xr

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.analyser import ClipJob, Moves
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.lessons.moved_track import moved_track
from lessonmark.lessons.swing_source import SwingSource, rebuilt_swing
from lessonmark.measures.seen import SwingSeen

__all__ = ["kept_finding", "moved_paths", "seen_swing"]


def kept_finding(job: ClipJob, swing: SwingFinding) -> ClipFinding:
    """Find the clip's finding that this swing belongs to, among its derived files.

    Raises
    ------
    RecordError : it is gone and must be made again.
    """
    for path in sorted(job.derived.glob("clip-*.json"), key=lambda p: -p.stat().st_mtime):
        finding = Derived(job.derived).finding(path.stem)
        if finding is not None and finding.view is swing.view:
            return finding
    raise _gone()


@lru_cache(maxsize=8)
def _read(folder: Path, key: str, made_ns: int) -> xr.Dataset | None:
    return Derived(folder).track(key)


def _track(job: ClipJob, key: str) -> xr.Dataset:
    path = job.derived / f"{key}.nc"
    track = _read(job.derived, key, path.stat().st_mtime_ns) if path.exists() else None
    if track is None:
        raise _gone()
    return track


def moved_paths(job: ClipJob, clip: ClipFinding, moves: Moves) -> xr.Dataset:
    """Read a clip's track with the landmarks where the coach put them.

    Raises
    ------
    RecordError : it is gone and must be made again.
    """
    return moved_track(_track(job, clip.track), moves.landmarks, clip.height)


def seen_swing(job: ClipJob, clip: ClipFinding, swing: SwingFinding, moves: Moves) -> SwingSeen:
    """Put a swing together again as it was measured, with the coach's corrections."""
    track = moved_paths(job, clip, moves)
    source = SwingSource(folder=job.derived, clip=clip, swing=swing, track=track)
    return replace(rebuilt_swing(source), stature_cm=job.stature_cm)


def _gone() -> RecordError:
    return RecordError(
        say("this swing's track is not there"),
        do=say("measure the clip again from the lesson's page; the clip itself is kept"),
    )
