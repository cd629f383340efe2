"""The real analysis behind the pages: the same functions as on the command line."""

from __future__ import annotations

import hashlib
import shutil
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date
from functools import cache, lru_cache
from pathlib import Path
from typing import TypeVar

import numpy as np
import xarray as xr

from lessonmark.errors import CannotMeasure, RecordError
from lessonmark.language import say, spoken
from lessonmark.lessons.analyser import (
    CatalogueEntry,
    ClipJob,
    Curve,
    CurveLine,
    LessonJob,
    Moves,
    SwingLook,
)
from lessonmark.lessons.analysis import DERIVED, PICTURES, find_evidence
from lessonmark.lessons.clip_process import ClipProcess
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import (
    ClipFinding,
    Findings,
    FocusFinding,
    StageValues,
    SwingFinding,
)
from lessonmark.lessons.judging import captions
from lessonmark.lessons.lesson_file import (
    ClubEntry,
    FocusEntry,
    LessonEntry,
    LessonFile,
    PlayerEntry,
)
from lessonmark.lessons.moved_track import FADE_S, moved_positions, moved_track
from lessonmark.lessons.paired_views import lend_positions
from lessonmark.lessons.pictures import picture_pair
from lessonmark.lessons.swing_source import SwingSource, rebuilt_swing
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.reading import Disturbance, Reading
from lessonmark.measures.registry import catalogue
from lessonmark.measures.registry import entry as catalogue_entry
from lessonmark.measures.seen import SwingSeen
from lessonmark.media.probe import probe_clip
from lessonmark.media.proxies import Proxy, read_proxy, write_proxy
from lessonmark.words import Position, Stage, View

__all__ = ["OwnAnalyser"]

T = TypeVar("T")
# The smallest change worth having where the coach sets none; common practice, no source.
USUAL_WORTH = {
    "deg": 4.0,
    "cm": 2.0,
    "% torso": 4.0,
    "ms": 40.0,
    "deg/s": 150.0,
    "m/s": 1.0,
    "": 0.3,
}
# What the viewer joins by a line; the far side too, so that a coach sees what was found there.
JOINED = (
    ("lead_shoulder", "trail_shoulder"),
    ("lead_hip", "trail_hip"),
    ("lead_shoulder", "lead_hip"),
    ("trail_shoulder", "trail_hip"),
    ("lead_shoulder", "lead_elbow"),
    ("lead_elbow", "lead_wrist"),
    ("trail_shoulder", "trail_elbow"),
    ("trail_elbow", "trail_wrist"),
    ("lead_hip", "lead_knee"),
    ("lead_knee", "lead_ankle"),
    ("trail_hip", "trail_knee"),
    ("trail_knee", "trail_ankle"),
    ("lead_ankle", "lead_foot_index"),
    ("trail_ankle", "trail_foot_index"),
    ("grip_butt", "clubhead"),
)
SHOWN = tuple(
    dict.fromkeys(
        [name for pair in JOINED for name in pair]
        + ["lead_ear", "trail_ear", "lead_heel", "trail_heel", "grip_mid"]
    )
)


class OwnAnalyser:
    """The `Analyser` that measures."""

    def __init__(self, *, heavy: bool = False) -> None:
        self._process = ClipProcess(heavy=heavy)
        self._packing = threading.Lock()
        self._packs: dict[str, Proxy] = {}

    def close(self) -> None:
        """End the process that analyses."""
        self._process.close()

    def catalogue(self) -> tuple[CatalogueEntry, ...]:
        """List what can be measured, in the language now spoken."""
        return _catalogue_in(spoken())

    def analyse_clip(self, job: ClipJob, tell: Callable[[float], None]) -> ClipFinding:
        """Track and measure one clip."""
        return self._process.analyse(job, tell)

    def measure_again(self, job: ClipJob, swing: SwingFinding, moves: Moves) -> SwingFinding:
        """Measure a swing with the coach's corrections on its stored track."""
        clip = _finding(job, swing)
        corrected = replace(
            swing,
            positions=moved_positions(swing.positions, moves.positions, fps=clip.fps_filmed),
        )
        seen = _seen(job, clip, corrected, moves)
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
        focus = [
            FocusEntry(
                measure=str(wish.at),
                direction=wish.direction,
                smallest_worth=wish.smallest_worth or _usual_worth(wish.at),
                view=wish.view,
            )
            for wish in job.focus
        ]
        clips = lend_positions(
            _with_files(job), {}, folder=job.folder, derived=Derived(job.folder / DERIVED)
        )
        found = find_evidence(
            _lesson_file(job),
            clips,
            job.problems,
            folder=job.folder,
            out=job.folder,
            focus=focus,
            cut_pictures=False,
        )
        # Where files lie on this machine is nobody's business outside the record.
        names = [clip.clip for clip in job.clips]
        return replace(
            found,
            clips=tuple(replace(c, clip=name) for c, name in zip(clips, names, strict=True)),
        )

    def make_pictures(self, job: LessonJob, findings: Findings) -> Findings:
        """Cut the picture pairs, the coach's choice where there is one."""
        clips = [
            replace(clip, clip=file.clip)
            for clip, file in zip(findings.clips, _with_files(job), strict=True)
        ]
        derived = Derived(job.folder / DERIVED)
        return replace(
            findings,
            focus=tuple(_with_pair(one, job, clips, derived) for one in findings.focus),
        )

    def look(self, job: ClipJob, swing: SwingFinding, moves: Moves) -> SwingLook:
        """Give what the viewer draws over a swing's frames."""
        clip = _finding(job, swing)
        track = moved_track(_track(job, clip.track), moves.landmarks, clip.height)
        names = [name for name in SHOWN if name in track["keypoint"].values]
        place = track["position"].transpose("keypoint", "time", "space")
        return SwingLook(
            times=tuple(np.round(track["time"].values.astype(float), 6).tolist()),
            paths={
                name: tuple(_point(xy) for xy in place.sel(keypoint=name).values.tolist())
                for name in names
            },
            joined=tuple(pair for pair in JOINED if set(pair) <= set(names)),
            toward=swing.toward,
            ball=(swing.ball.x, swing.ball.y) if swing.ball else None,
        )

    def curve(self, job: ClipJob, swing: SwingFinding, moves: Moves, at: MeasureAt) -> Curve:
        """Give a measure along the swing."""
        try:
            entry = catalogue_entry(at.measure)
        except KeyError as err:
            raise RecordError(
                say("there is no measure of that name"), do=say("choose one from the list")
            ) from err
        lines = tuple(CurveLine(points=one.points, kind=one.kind) for one in entry.draws)
        seen = _seen(job, _finding(job, swing), swing, moves)
        # What a reading takes the depth of the body to be hangs on its position: between two of
        # them both are taken and blended. Address itself is never moved: others hang on it.
        bases = [p for p in swing.positions.found if p is not Position.P1]
        if entry.is_span or not bases:
            return Curve(times=(), values=(), lines=lines)
        readings = [
            (swing.positions[p].time.s, p, Reading(swing=seen, entry=entry, position=p))
            for p in bases
        ]
        frames = seen.paths.times
        frames = frames[(frames >= swing.span_s[0]) & (frames <= swing.span_s[1])]
        return Curve(
            times=tuple(frames.tolist()),
            values=tuple(_blended(readings, float(s)) for s in frames),
            lines=lines,
        )

    def frame_pack(self, job: ClipJob) -> Proxy:
        """Give the clip's frame pack, made where it is not there yet."""
        with self._packing:  # two panes of one page would otherwise write it twice
            known = self._packs.get(job.sha256)
            if known is not None and known.path.exists():
                return known
            clip = probe_clip(job.path, fps_declared=job.fps_declared)
            pack = read_proxy(clip, job.derived) or write_proxy(clip, job.derived)
            self._packs[job.sha256] = pack
            return pack


def _with_files(job: LessonJob) -> list[ClipFinding]:
    """Put a lesson's tracks, with the coach's corrections, beside each other in its folder."""
    derived = Derived(job.folder / DERIVED)
    clips = []
    for clip in job.clips:
        moved = job.moved.get(clip.clip, ())
        key = clip.track
        if moved:
            key += f"-{hashlib.sha256(repr(moved).encode()).hexdigest()[:12]}"
        place = derived.folder / f"{key}.nc"
        if not place.exists():
            kept = Derived(job.derived[clip.clip])
            track = kept.track(clip.track) if moved else None
            if track is not None:
                derived.keep_track(key, moved_track(track, moved, clip.height))
            elif (kept.folder / f"{key}.nc").exists():
                shutil.copyfile(kept.folder / f"{key}.nc", place.with_suffix(".part"))
                place.with_suffix(".part").replace(place)
        clips.append(replace(clip, clip=str(job.media[clip.clip]), track=key))
    return clips


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


def _with_pair(
    one: FocusFinding, job: LessonJob, clips: Sequence[ClipFinding], derived: Derived
) -> FocusFinding:
    rows = {row.stage: row for row in one.stages}
    wish = next((w for w in job.pictures if (w.at, w.view) == (one.at, one.view)), None)
    before, after = rows[Stage.BEFORE], rows[Stage.AFTER]
    if wish is not None:
        before, after = _only(before, wish.before), _only(after, wish.after)
    pair = picture_pair(
        one.at,
        before,
        after,
        clips,
        folder=job.folder,
        derived=derived,
        pictures=job.folder / PICTURES,
        captions=captions(one),
    )
    return replace(one, pictures=pair)


def _only(row: StageValues, swing_id: str) -> StageValues:
    """Keep the one swing that the coach chose; all where it is not there any more."""
    if swing_id not in row.swing_ids:
        return row
    place = row.swing_ids.index(swing_id)
    return replace(row, swing_ids=(swing_id,), values=(row.values[place],))


def _lesson_file(job: LessonJob) -> LessonFile:
    # Not validated: the record has its own rules, and may not know a stature or a club yet.
    return LessonFile.model_construct(
        lesson=LessonEntry.model_construct(
            title=job.title, date=date.fromisoformat(job.date), drill=job.drill
        ),
        player=PlayerEntry.model_construct(
            name=job.player.name,
            handedness=job.player.handedness,
            stature_cm=job.player.stature_cm,
            birth_year=job.player.birth_year,
        ),
        club=ClubEntry.model_construct(name=job.club, length_cm=job.club_length_cm or 0.0),
        focus=(),
        clip=(),
    )


def _usual_worth(at: MeasureAt) -> float:
    return USUAL_WORTH.get(catalogue_entry(at.measure).unit, 1.0)


def _finding(job: ClipJob, swing: SwingFinding) -> ClipFinding:
    """Find the clip's finding that this swing belongs to, among its derived files."""
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


def _seen(job: ClipJob, clip: ClipFinding, swing: SwingFinding, moves: Moves) -> SwingSeen:
    track = moved_track(_track(job, clip.track), moves.landmarks, clip.height)
    source = SwingSource(folder=job.derived, clip=clip, swing=swing, track=track)
    return replace(rebuilt_swing(source), stature_cm=job.stature_cm)


def _blended(readings: Sequence[tuple[float, Position, Reading]], s: float) -> float | None:
    later = next((n for n, (at, *_) in enumerate(readings) if at >= s), len(readings) - 1)
    earlier = max(later - 1, 0)
    start, stop = readings[earlier][0], readings[later][0]
    share = min(max((s - start) / (stop - start), 0.0), 1.0) if stop > start else 1.0
    try:
        ends = [
            reading.value(Disturbance(times={base: s - at}))
            for at, base, reading in (readings[earlier], readings[later])
        ]
    except CannotMeasure:
        return None
    return round((1 - share) * ends[0] + share * ends[1], 3)


def _point(xy: list[float]) -> tuple[float, float] | None:
    x, y = xy
    return None if x != x or y != y else (round(x, 1), round(y, 1))


def _gone() -> RecordError:
    return RecordError(
        say("this swing's track is not there"),
        do=say("measure the clip again from the lesson's page; the clip itself is kept"),
    )
