"""Derived files of a lesson, kept by content so that nothing is measured twice.

A key is a hash over everything that a result depends on: the clip's bytes, what lesson.toml says
of it, the code that makes it, the network and the libraries. Files are written whole or not at all,
so that a run that was killed leaves only finished pieces, and the next run takes up there.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import asdict
from pathlib import Path

import xarray as xr
from pydantic import TypeAdapter, ValidationError

from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.lessons.findings import ClipFinding
from lessonmark.lessons.versions import body_version, made_with
from lessonmark.tracks.dataset import read_track, write_track

__all__ = ["Derived", "body_key", "clip_key"]

_FINDING: TypeAdapter[ClipFinding] = TypeAdapter(ClipFinding)


class Derived:
    """A folder of derived files; it may be deleted at any time, everything can be made again."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)

    def finding(self, key: str) -> ClipFinding | None:
        """Look up a clip's finding; None where it is not there, or from an older layout."""
        try:
            return _FINDING.validate_json((self.folder / f"{key}.json").read_bytes())
        except (OSError, ValidationError):
            return None

    def keep_finding(self, key: str, finding: ClipFinding) -> None:
        """Keep a clip's finding."""
        unfinished = self.folder / f"{key}.{os.getpid()}.part"  # another may be at the same clip
        unfinished.write_bytes(_FINDING.dump_json(finding))
        unfinished.replace(self.folder / f"{key}.json")

    def track(self, key: str) -> xr.Dataset | None:
        """Look up a track; None where it is not there, or from an older layout."""
        try:
            return read_track(self.folder / f"{key}.nc")
        except (OSError, ValueError):
            return None

    def keep_track(self, key: str, track: xr.Dataset) -> None:
        """Keep a track."""
        unfinished = self.folder / f"{key}.{os.getpid()}.nc.new"
        write_track(track, unfinished)
        unfinished.replace(self.folder / f"{key}.nc")


def body_key(sha256: str, settings: ClipSettings) -> str:
    """Key of a clip's body track."""
    facts: dict[str, object] = {"fps": settings.fps_declared, "heavy": settings.heavy}
    return _key("body", sha256, facts, body_version(heavy=settings.heavy))


def clip_key(sha256: str, settings: ClipSettings) -> str:
    """Key of a clip's finding and of its whole track."""
    return _key("clip", sha256, asdict(settings), made_with(settings).version)


def _key(kind: str, sha256: str, facts: dict[str, object], code: str) -> str:
    text = json.dumps([kind, sha256, facts, code], sort_keys=True, default=str)
    return f"{kind}-{hashlib.sha256(text.encode()).hexdigest()[:32]}"
