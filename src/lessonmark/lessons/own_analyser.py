"""The real analysis behind the pages: the same functions as on the command line."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TypeVar

from lessonmark.language import say, spoken
from lessonmark.lessons.analyser import (
    CatalogueEntry,
    ClipJob,
    Curve,
    LessonJob,
    Moves,
    SwingLook,
)
from lessonmark.lessons.clip_process import ClipProcess
from lessonmark.lessons.findings import (
    ClipFinding,
    Findings,
    SwingFinding,
)
from lessonmark.lessons.kept_swing import kept_finding, seen_swing
from lessonmark.lessons.moved_track import FADE_S, moved_positions
from lessonmark.lessons.record_judging import add_pictures, judge
from lessonmark.lessons.swing_look import look_of, measure_curve
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.registry import catalogue
from lessonmark.media.probe import probe_clip
from lessonmark.media.proxies import Proxy, read_proxy, write_proxy
from lessonmark.words import Position, View

__all__ = ["OwnAnalyser"]

T = TypeVar("T")


class OwnAnalyser:
    """The `Analyser` that measures."""

    def __init__(self, *, heavy: bool = False) -> None:
        self._process = ClipProcess(heavy=heavy)
        self._packing = threading.Lock()
        self._packs: dict[Path, Proxy] = {}

    def close(self) -> None:
        """End the process that analyses."""
        self._process.close()

    def catalogue(self) -> tuple[CatalogueEntry, ...]:
        """List what can be measured, in the language now spoken."""
        return _catalogue_in(spoken())

    def analyse_clip(self, job: ClipJob, tell: Callable[[float], None]) -> ClipFinding:
        """Track and measure one clip."""
        finding = self._process.analyse(job, tell)
        # The newest is the one that counts, also where it was only looked up.
        (job.derived / f"{finding.track}.json").touch()
        return finding

    def measure_again(self, job: ClipJob, swing: SwingFinding, moves: Moves) -> SwingFinding:
        """Measure a swing with the coach's corrections on its stored track."""
        clip = kept_finding(job, swing)
        corrected = replace(
            swing,
            positions=moved_positions(swing.positions, moves.positions, fps=clip.fps_filmed),
        )
        seen = seen_swing(job, clip, corrected, moves)
        touched = _touched(corrected, moves)
        spans = {entry.id for entry in catalogue() if entry.is_span}
        # Only what the correction can have reached, so that the coach does not wait for the rest.
        near = replace(
            seen,
            positions=replace(
                corrected.positions,
                found={
                    p: at
                    for p, at in corrected.positions.found.items()
                    if p in touched or p is Position.P1
                },
            ),
        )
        fresh = measure_swing(near, only={entry.id for entry in catalogue()} - spans)
        whole = measure_swing(seen, only=spans)
        stale = {
            key
            for key in (*swing.values, *swing.refused)
            if MeasureAt.parse(key).position in {None, *touched}
        }
        return replace(
            corrected,
            values=_renewed(swing.values, stale, {**fresh[0], **whole[0]}),
            refused=_renewed(swing.refused, stale, {**fresh[1], **whole[1]}),
        )

    def analyse_lesson(self, job: LessonJob) -> Findings:
        """Judge a lesson from its measured swings, without pictures."""
        return judge(job)

    def make_pictures(self, job: LessonJob, findings: Findings) -> Findings:
        """Cut the picture pairs, the coach's choice where there is one."""
        return add_pictures(job, findings)

    def look(self, job: ClipJob, swing: SwingFinding, moves: Moves) -> SwingLook:
        """Give what the viewer draws over a swing's frames."""
        return look_of(job, swing, moves)

    def curve(self, job: ClipJob, swing: SwingFinding, moves: Moves, at: MeasureAt) -> Curve:
        """Give a measure along the swing."""
        return measure_curve(job, swing, moves, at)

    def frame_pack(self, job: ClipJob) -> Proxy:
        """Give the clip's frame pack, made where it is not there yet."""
        with self._packing:  # two panes of one page would otherwise write it twice
            folder = job.derived
            if job.fps_declared is not None:  # every frame has another time then
                folder /= f"fps-{job.fps_declared:g}"
                folder.mkdir(exist_ok=True)
            known = self._packs.get(folder)
            if known is not None and known.path.exists():
                return known
            clip = probe_clip(job.path, fps_declared=job.fps_declared)
            pack = read_proxy(clip, folder) or write_proxy(clip, folder)
            self._packs[folder] = pack
            return pack


def _touched(swing: SwingFinding, moves: Moves) -> set[Position]:
    """Say at which positions a correction can have changed a number."""
    found = swing.positions.found
    near = {
        position
        for position, at in found.items()
        for landmark in moves.landmarks
        if abs(at.time.s - landmark.s) < FADE_S
    }
    near |= set(moves.positions)
    # Everything hangs on address: displacements start there, and the torso is measured there.
    return set(Position) if Position.P1 in near else near


def _renewed(old: Mapping[str, T], stale: Collection[str], fresh: Mapping[str, T]) -> dict[str, T]:
    kept = {key: value for key, value in old.items() if key not in stale}
    taken = {key: value for key, value in fresh.items() if key not in kept}
    return {**kept, **taken}


@cache
def _catalogue_in(language: str) -> tuple[CatalogueEntry, ...]:
    """List the catalogue; asked for on every page, so each language once."""
    return tuple(
        CatalogueEntry(
            at=MeasureAt(measure=entry.id, position=position),
            view=view,
            name=say(entry.name),
            unit=entry.unit,
            reads=say(entry.reads) if entry.reads else "",
        )
        for view in View
        for entry in catalogue()
        if view in entry.views
        for position in ((None,) if entry.is_span else entry.positions_from(view))
    )
