"""Bring clips in: once each, into the lesson of their time, with a guess of stage and view.

Every guess is marked as one and gives way to the coach's word. How far apart two lessons lie and
how long the pause before the after-swings is are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise

from sqlalchemy import select
from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.files import KeptFile
from lessonmark.lessons.record import Clip, ClipState, Lesson, LessonKind, Media, Player
from lessonmark.measures.stick import Stick
from lessonmark.words import Stage, View

__all__ = [
    "Arrival",
    "Arrived",
    "bring_in",
    "guess_stages",
    "guess_view",
    "mark_stale",
    "measure_anew",
    "set_filming",
    "set_stage",
    "set_stick",
    "set_view",
]

SAME_LESSON_WITHIN = timedelta(hours=3)
STAGE_PAUSE = timedelta(minutes=4)  # shorter pauses are between balls
_VIEW_WORDS = {
    View.FACE_ON: ("face-on", "face_on", "faceon", "front"),
    View.DOWN_THE_LINE: ("down-the-line", "down_the_line", "dtl", "behind"),
}


@dataclass(frozen=True, kw_only=True)
class Arrival:
    """A clip whose file is in the record's folder already."""

    kept: KeptFile
    name: str  # as the browser or the folder named it, for the eye only
    folder: str = ""  # the folders above it, for guessing
    filmed_at: datetime | None = None  # None: not known


@dataclass(frozen=True, kw_only=True)
class Arrived:
    """Where an arrival ended up."""

    clip_id: int
    lesson_id: int
    new: bool  # False: the same clip was there already, and nothing was changed


def bring_in(
    session: Session,
    player_id: int,
    arrivals: Sequence[Arrival],
    *,
    now: datetime,
    lesson_id: int | None = None,
    kind: LessonKind = LessonKind.LESSON,
) -> tuple[Arrived, ...]:
    """Enter clips into the record, in the caller's transaction.

    Parameters
    ----------
    lesson_id : the lesson that they belong to; None: the one of their time, made if need be.
    now : taken as the time of filming where nothing tells it.

    Raises
    ------
    RecordError : there is no such player, or the lesson is another player's.
    """
    player = session.get(Player, player_id)
    if player is None or player.erasing_since is not None:
        raise RecordError(say("this player is not in the record"), do=say("reload the list"))
    arrived: list[Arrived] = []
    for arrival in sorted(arrivals, key=lambda a: (a.filmed_at or now, a.folder, a.name)):
        there = session.scalar(
            select(Clip).where(Clip.player_id == player_id, Clip.sha256 == arrival.kept.sha256)
        )
        if there is not None:
            arrived.append(Arrived(clip_id=there.id, lesson_id=there.lesson_id, new=False))
            continue
        filmed_at = arrival.filmed_at or now
        guess = kind if lesson_id else _guess_kind(session, player_id, filmed_at, kind, arrival)
        lesson = _lesson_for(session, player_id, filmed_at, lesson_id, guess)
        clip = _clip(session, lesson, arrival, filmed_at)
        session.flush()
        arrived.append(Arrived(clip_id=clip.id, lesson_id=lesson.id, new=True))
    for touched in {one.lesson_id for one in arrived if one.new}:
        guess_stages(session.get_one(Lesson, touched))
    return tuple(arrived)


def guess_stages(lesson: Lesson) -> None:
    """Guess the stage of every clip that the coach has not placed by hand.

    Folder words come first (they were taken when the clip came in). Otherwise the longest pause
    parts before from after; a second one nearly as long makes the middle the drill.
    """
    open_clips = sorted(
        (clip for clip in lesson.clips if not clip.stage_by_hand), key=lambda c: (c.filmed_at, c.id)
    )
    if lesson.kind is LessonKind.PRACTICE:
        for clip in open_clips:
            clip.stage = Stage.PRACTICE
        return
    pauses = sorted(
        (
            (later.filmed_at - earlier.filmed_at, place)
            for place, (earlier, later) in enumerate(pairwise(open_clips), start=1)
        ),
        reverse=True,
    )
    cuts = [place for pause, place in pauses[:1] if pause >= STAGE_PAUSE]
    if cuts and len(pauses) > 1 and pauses[1][0] >= max(STAGE_PAUSE, pauses[0][0] / 2):
        cuts.append(pauses[1][1])
    parts = {
        0: (Stage.BEFORE,),
        1: (Stage.BEFORE, Stage.AFTER),
        2: (Stage.BEFORE, Stage.DRILL, Stage.AFTER),
    }[len(cuts)]
    for place, clip in enumerate(open_clips):
        clip.stage = parts[sum(place >= cut for cut in cuts)]


def _guess_kind(
    session: Session, player_id: int, filmed_at: datetime, kind: LessonKind, arrival: Arrival
) -> LessonKind:
    """Take swings of a day before the next lesson was due for practice, or as the folder says."""
    if kind is LessonKind.PRACTICE or _stage_word(arrival.folder) is Stage.PRACTICE:
        return LessonKind.PRACTICE
    if _stage_word(arrival.folder) is not None:
        return kind
    last = session.scalar(
        select(Lesson)
        .where(
            Lesson.player_id == player_id,
            Lesson.kind == LessonKind.LESSON,
            Lesson.started_at <= filmed_at + SAME_LESSON_WITHIN,
        )
        .order_by(Lesson.started_at.desc())
        .limit(1)
    )
    if last is None or last.next_on is None or _apart(last, filmed_at) <= SAME_LESSON_WITHIN:
        return kind
    return LessonKind.PRACTICE if filmed_at.astimezone().date() < last.next_on else kind


def guess_view(*words: str) -> View | None:
    """Guess where the camera stood from the words in a path; None where they do not say."""
    text = "/".join(words).casefold()
    for view, names in _VIEW_WORDS.items():
        if any(name in text for name in names):
            return view
    return None


def set_stage(session: Session, clip_id: int, stage: Stage) -> Clip:
    """Place a clip in a stage by hand; the numbers stay, the verdicts are made anew."""
    clip = _load(session, clip_id)
    clip.stage, clip.stage_by_hand = stage, True
    mark_stale(clip.lesson)
    return clip


def set_view(session: Session, clip_id: int, view: View) -> Clip:
    """Say where the camera stood; the clip is measured anew where that was not how it was taken."""
    clip = _load(session, clip_id)
    if clip.view is not view:
        measure_anew(session, clip_id)
    clip.view, clip.view_by_hand = view, True
    mark_stale(clip.lesson)
    return clip


def set_filming(
    session: Session, clip_id: int, *, mirrored: bool, fps_declared: float | None
) -> Clip:
    """Say how a clip was filmed; it is measured anew where that was not how it was taken."""
    clip = _load(session, clip_id)
    if (clip.mirrored, clip.fps_declared) != (mirrored, fps_declared):
        clip.mirrored, clip.fps_declared = mirrored, fps_declared
        measure_anew(session, clip_id)
        mark_stale(clip.lesson)
    return clip


def set_stick(
    session: Session, clip_id: int, stick: Stick | None, length_cm: float | None = None
) -> list[Clip]:
    """Keep where a stick on the target line was clicked, and measure anew what it changes.

    It holds for the clips of the lesson with this clip's view and stage: one camera set-up.

    Parameters
    ----------
    stick : its two ends, px; None takes it away.
    length_cm : from end to end, where it is known: then the stick gives a scale as well.
    """
    clip = _load(session, clip_id)
    ends = None if stick is None else [list(end) for end in stick]
    length_cm = None if stick is None else length_cm
    changed = [
        one
        for one in clip.lesson.clips
        if (one.view, one.stage) == (clip.view, clip.stage)
        and (one.stick, one.stick_cm) != (ends, length_cm)
    ]
    for one in changed:
        one.stick, one.stick_cm = ends, length_cm
        measure_anew(session, one.id)
    if changed:
        mark_stale(clip.lesson)
    return changed


def measure_anew(session: Session, clip_id: int) -> Clip:
    """Put a clip back in the queue; what was found of it stays until the new numbers are there."""
    clip = _load(session, clip_id)
    clip.state, clip.progress, clip.problem, clip.problem_do = ClipState.WAITING, 0.0, "", ""
    clip.taken_by, clip.taken_until, clip.tries = "", None, 0
    return clip


def mark_stale(lesson: Lesson) -> None:
    """Remember that the lesson must be judged anew."""
    if lesson.finding is not None:
        lesson.finding.stale = True


def _load(session: Session, clip_id: int) -> Clip:
    clip = session.get(Clip, clip_id)
    if clip is None:
        raise RecordError(say("this clip is not in the record"), do=say("reload the page"))
    return clip


def _lesson_for(
    session: Session,
    player_id: int,
    filmed_at: datetime,
    lesson_id: int | None,
    kind: LessonKind,
) -> Lesson:
    if lesson_id is not None:
        lesson = session.get(Lesson, lesson_id)
        if lesson is None or lesson.player_id != player_id:
            raise RecordError(say("this lesson is not in the record"), do=say("reload the page"))
        return lesson
    near = session.scalars(
        select(Lesson).where(
            Lesson.player_id == player_id,
            Lesson.kind == kind,
            Lesson.started_at.between(
                filmed_at - 4 * SAME_LESSON_WITHIN, filmed_at + 4 * SAME_LESSON_WITHIN
            ),
        )
    ).all()
    best = min(near, key=lambda one: _apart(one, filmed_at), default=None)
    if best is not None and _apart(best, filmed_at) <= SAME_LESSON_WITHIN:
        best.started_at = min(best.started_at, filmed_at)
        return best
    last = session.scalar(
        select(Lesson)
        .where(Lesson.player_id == player_id, Lesson.club_length_cm.is_not(None))
        .order_by(Lesson.started_at.desc())
        .limit(1)
    )
    lesson = Lesson(
        player_id=player_id,
        started_at=filmed_at,
        kind=kind,
        club=last.club if last else "",
        club_length_cm=last.club_length_cm if last else None,
    )
    session.add(lesson)
    session.flush()
    return lesson


def _apart(lesson: Lesson, filmed_at: datetime) -> timedelta:
    moments = [lesson.started_at, *(clip.filmed_at for clip in lesson.clips)]
    return min(abs(filmed_at - moment) for moment in moments)


def _clip(session: Session, lesson: Lesson, arrival: Arrival, filmed_at: datetime) -> Clip:
    kept = arrival.kept
    if session.get(Media, kept.sha256) is None:
        session.add(Media(sha256=kept.sha256, size_bytes=kept.size_bytes, suffix=kept.suffix))
        session.flush()
    stage = _stage_word(arrival.folder)
    clip = Clip(
        player_id=lesson.player_id,
        sha256=kept.sha256,
        name=arrival.name[-255:],
        filmed_at=filmed_at.astimezone(UTC),
        view=guess_view(arrival.folder, arrival.name),
        stage=stage or Stage.BEFORE,
        stage_by_hand=stage is not None,  # the coach named the folder
    )
    lesson.clips.append(clip)
    return clip


def _stage_word(folder: str) -> Stage | None:
    parts = [part.casefold() for part in folder.replace("\\", "/").split("/")]
    return next((stage for part in reversed(parts) for stage in Stage if part == stage.value), None)
