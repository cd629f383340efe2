"""A lesson of the record judged and pictured by the same functions as on the command line."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from lessonmark.lessons.analyser import LessonJob
from lessonmark.lessons.analysis import DERIVED, PICTURES, find_evidence
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding, Findings, FocusFinding, StageValues
from lessonmark.lessons.judging import captions
from lessonmark.lessons.lesson_file import (
    ChainEntry,
    ClubEntry,
    FocusEntry,
    LessonEntry,
    LessonFile,
    PlayerEntry,
)
from lessonmark.lessons.moved_track import moved_track
from lessonmark.lessons.paired_views import lend_positions
from lessonmark.lessons.pictures import picture_pair
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.registry import entry as catalogue_entry
from lessonmark.words import Stage

__all__ = ["add_pictures", "judge"]

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


def judge(job: LessonJob) -> Findings:
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
        _with_files(job),
        {},
        folder=job.folder,
        derived=Derived(job.folder / DERIVED),
        club_cm=job.club_length_cm,
    )
    found = find_evidence(
        _lesson_file(job),
        clips,
        job.problems,
        folder=job.folder,
        out=job.folder,
        focus=focus,
        cut_pictures=False,
        scatters=job.scatters,
    )
    # Where files lie on this machine is nobody's business outside the record.
    names = [clip.clip for clip in job.clips]
    return replace(
        found,
        clips=tuple(replace(c, clip=name) for c, name in zip(clips, names, strict=True)),
    )


def add_pictures(job: LessonJob, findings: Findings) -> Findings:
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
        chain=tuple(
            ChainEntry.model_construct(step=one.words, measure=str(one.at), way=one.way)
            for one in job.causes
        ),
        clip=(),
    )


def _usual_worth(at: MeasureAt) -> float:
    return USUAL_WORTH.get(catalogue_entry(at.measure).unit, 1.0)
