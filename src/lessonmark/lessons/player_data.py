"""One player's rows as plain values, to be handed over, and such values as rows again."""

from __future__ import annotations

from datetime import date, datetime

from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import select
from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.folding import fold
from lessonmark.lessons.history_handover import HistoryData, add_history, history_data
from lessonmark.lessons.plan_handover import (
    PlansData,
    TargetData,
    add_plans,
    add_targets,
    plans_data,
    targets_data,
)
from lessonmark.lessons.record import (
    Clip,
    ClipState,
    Correction,
    CorrectionKind,
    Cue,
    DrillSet,
    Focus,
    InjuryNote,
    Lesson,
    LessonFinding,
    LessonKind,
    Media,
    PictureChoice,
    Player,
    Swing,
)
from lessonmark.lessons.store import Record
from lessonmark.lessons.voice_handover import (
    PackData,
    PassageData,
    add_voice,
    pack_data,
    passage_data,
)
from lessonmark.measures.stick import STICK_CM
from lessonmark.words import Handedness, Stage, View

__all__ = ["PlayerData", "add_player", "player_data"]

# What a lesson holds in rows of their own.
_OF_LESSON = {
    "focus",
    "cues",
    "drills",
    "pictures",
    "findings",
    "clips",
    "passages",
    "pack",
    "plans",
    "history",
}


class _Row(BaseModel):
    model_config = ConfigDict(from_attributes=True, extra="forbid")


class InjuryData(_Row):
    noted_on: date
    words: str


class FocusData(_Row):
    rank: int
    at: str
    view: View
    direction: str
    smallest_worth: float | None
    change: str | None = None


class CueData(_Row):
    rank: int
    words: str


class DrillData(_Row):
    rank: int
    drill: str
    name: str
    dose: str
    minutes: int | None
    sets: int | None
    balls: int | None
    set_on: date | None = None


class PictureData(_Row):
    at: str
    view: View
    before: str
    after: str


class SwingData(_Row):
    number: int
    finding: str
    numbers: dict[str, list[float]]
    left_out: str


class CorrectionData(_Row):
    swing_number: int
    kind: CorrectionKind
    name: str
    at_s: float
    x_px: float | None
    y_px: float | None
    made_at: datetime
    undone_at: datetime | None


class ClipData(_Row):
    uid: str = Field(pattern=r"^[0-9a-f]{32}$")
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    suffix: str
    name: str
    filmed_at: datetime
    view: View | None
    view_by_hand: bool
    stage: Stage
    stage_by_hand: bool
    fps_declared: float | None
    mirrored: bool = False
    stick: tuple[tuple[float, float], tuple[float, float]] | None = None
    stick_cm: float | None = Field(default=None, ge=STICK_CM[0], le=STICK_CM[1])
    state: ClipState
    problem: str
    problem_do: str
    finding: str | None
    measured_with: str = ""
    swings: list[SwingData]
    corrections: list[CorrectionData]


class LessonData(_Row):
    uid: str = Field(pattern=r"^[0-9a-f]{32}$")
    kind: LessonKind
    title: str
    started_at: datetime
    club: str
    club_length_cm: float | None
    note: str
    next_on: date | None
    focus: list[FocusData]
    cues: list[CueData]
    drills: list[DrillData]
    pictures: list[PictureData]
    findings: str | None
    clips: list[ClipData]
    passages: list[PassageData] = []
    pack: PackData | None = None
    plans: PlansData = PlansData()
    history: HistoryData = HistoryData()


class PlayerData(_Row):
    """All that the record holds of one player."""

    uid: str = Field(pattern=r"^[0-9a-f]{32}$")
    name: str
    handedness: Handedness
    stature_cm: float | None
    birth_year: int | None
    note: str
    consent_on: date | None
    consent_by: str
    guardian: str
    created_at: datetime
    injuries: list[InjuryData]
    lessons: list[LessonData]
    targets: list[TargetData] = []


def player_data(player: Player) -> PlayerData:
    """Gather a player's rows as plain values."""
    return PlayerData(
        **{
            name: getattr(player, name)
            for name in PlayerData.model_fields
            if name not in {"injuries", "lessons", "targets"}
        },
        injuries=[InjuryData.model_validate(note) for note in player.injuries],
        lessons=[_lesson_data(lesson) for lesson in player.lessons],
        targets=targets_data(player),
    )


def _lesson_data(lesson: Lesson) -> LessonData:
    return LessonData(
        **{
            name: getattr(lesson, name)
            for name in LessonData.model_fields
            if name not in _OF_LESSON
        },
        focus=[FocusData.model_validate(row) for row in lesson.focus],
        cues=[CueData.model_validate(row) for row in lesson.cues],
        drills=[DrillData.model_validate(row) for row in lesson.drills],
        pictures=[PictureData.model_validate(row) for row in lesson.pictures],
        findings=lesson.finding.findings if lesson.finding else None,
        clips=[_clip_data(clip) for clip in lesson.clips],
        passages=passage_data(lesson),
        pack=pack_data(lesson),
        plans=plans_data(lesson),
        history=history_data(lesson),
    )


def _clip_data(clip: Clip) -> ClipData:
    nested = {"suffix", "swings", "corrections"}
    return ClipData(
        **{name: getattr(clip, name) for name in ClipData.model_fields if name not in nested},
        suffix=clip.media.suffix,
        swings=[SwingData.model_validate(row) for row in clip.swings],
        corrections=[CorrectionData.model_validate(row) for row in clip.corrections],
    )


def add_player(session: Session, record: Record, data: PlayerData) -> tuple[int, set[str]]:
    """Enter a player's values as rows, in the caller's transaction; the clips' files are there.

    Returns
    -------
    the player's id here, and the uids of the lessons that were not here yet.

    Raises
    ------
    RecordError : the player is just being erased here.
    """
    player = session.scalar(select(Player).where(Player.uid == data.uid))
    if player is not None and player.erasing_since is not None:
        raise RecordError(
            say("this player is being erased here"), do=say("wait until it is done, then try again")
        )
    if player is None:
        player = Player(
            **data.model_dump(exclude={"injuries", "lessons", "targets"}),
            search=fold(data.name)[:400],
        )
        player.injuries = [InjuryNote(**note.model_dump()) for note in data.injuries]
        session.add(player)
        session.flush()
    add_targets(player, data.targets)
    here = set(session.scalars(select(Lesson.uid)))
    fresh = [lesson for lesson in data.lessons if lesson.uid not in here]
    for lesson in fresh:
        session.add(_lesson_row(session, record, player.id, lesson))
    return player.id, {lesson.uid for lesson in fresh}


def _lesson_row(session: Session, record: Record, player_id: int, data: LessonData) -> Lesson:
    names = [drill.name for drill in data.drills]
    lesson = Lesson(
        **data.model_dump(exclude=_OF_LESSON),
        player_id=player_id,
        search=fold(data.title, data.club, *names)[:600],
        focus=[Focus(**row.model_dump()) for row in data.focus],
        cues=[Cue(**row.model_dump()) for row in data.cues],
        drills=[DrillSet(**row.model_dump()) for row in data.drills],
        pictures=[PictureChoice(**row.model_dump()) for row in data.pictures],
    )
    add_voice(lesson, data.passages, data.pack)
    add_plans(lesson, data.plans)
    if data.findings is not None:
        lesson.finding = LessonFinding(findings=data.findings)
    add_history(lesson, data.history)
    mine = set(session.scalars(select(Clip.sha256).where(Clip.player_id == player_id)))
    for clip in data.clips:
        if clip.sha256 in mine:  # the same file is in another lesson of theirs already
            continue
        if session.get(Media, clip.sha256) is None:
            session.add(
                Media(
                    sha256=clip.sha256,
                    suffix=clip.suffix,
                    size_bytes=record.files.load(clip.sha256).stat().st_size,
                )
            )
            session.flush()
        # Tracks and frame packs stay behind: they are made again from the clip.
        row = Clip(
            **clip.model_dump(exclude={"suffix", "swings", "corrections", "state"}),
            player_id=player_id,
            state=ClipState.WAITING if clip.state is ClipState.WORKING else clip.state,
            swings=[Swing(**swing.model_dump()) for swing in clip.swings],
            corrections=[Correction(**moved.model_dump()) for moved in clip.corrections],
        )
        lesson.clips.append(row)
    return lesson
