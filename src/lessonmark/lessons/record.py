"""The record's tables: what the coach's machine remembers of players, lessons and clips.

Rows hold facts and words; what an analysis found is kept as the frozen values' own JSON, so that a
clip's finding as analysed is never overwritten by a correction. Times of day are UTC.
"""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import JSON, BigInteger, ForeignKey, Index, String, Text, UniqueConstraint, false
from sqlalchemy.orm import Mapped, mapped_column, relationship

from lessonmark.lessons.account_tables import Account, AccountSession, AuditEntry, Owner
from lessonmark.lessons.plan_tables import Attempt, CauseStep, PlannedPractice, TargetWindow
from lessonmark.lessons.queue_tables import FormerFinding
from lessonmark.lessons.record_base import (
    AttemptOutcome,
    Base,
    ClipState,
    CorrectionKind,
    LessonKind,
    PackState,
    UtcTime,
    new_uid,
    now,
)
from lessonmark.lessons.voice_tables import PackOrder, Passage
from lessonmark.words import Handedness, Stage, View

__all__ = [
    "Account",
    "AccountSession",
    "Attempt",
    "AttemptOutcome",
    "AuditEntry",
    "Base",
    "CauseStep",
    "Clip",
    "ClipState",
    "Correction",
    "CorrectionKind",
    "Cue",
    "DrillSet",
    "Erasure",
    "Focus",
    "FormerFinding",
    "InjuryNote",
    "Lesson",
    "LessonFinding",
    "LessonKind",
    "Media",
    "Owner",
    "PackOrder",
    "PackState",
    "Passage",
    "PictureChoice",
    "PlannedPractice",
    "Player",
    "Swing",
    "TargetWindow",
    "UtcTime",
]


class Player(Base):
    """Somebody who takes lessons."""

    __tablename__ = "player"

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(
        String(32), default=new_uid, unique=True
    )  # same on every machine
    name: Mapped[str] = mapped_column(String(200))
    search: Mapped[str] = mapped_column(String(400), default="", server_default="")  # folded
    handedness: Mapped[Handedness] = mapped_column(default=Handedness.RIGHT)
    stature_cm: Mapped[float | None]
    birth_year: Mapped[int | None]
    note: Mapped[str] = mapped_column(Text, default="")
    consent_on: Mapped[date | None]  # None: not given yet, or taken back
    consent_by: Mapped[str] = mapped_column(String(200), default="")  # the player or the guardian
    guardian: Mapped[str] = mapped_column(String(200), default="")  # for a minor
    created_at: Mapped[datetime] = mapped_column(default=now)
    erasing_since: Mapped[datetime | None]  # set: on the way out, shown nowhere

    lessons: Mapped[list[Lesson]] = relationship(
        back_populates="player", cascade="all, delete-orphan", order_by="Lesson.started_at"
    )
    injuries: Mapped[list[InjuryNote]] = relationship(
        back_populates="player", cascade="all, delete-orphan", order_by="InjuryNote.noted_on"
    )
    targets: Mapped[list[TargetWindow]] = relationship(
        cascade="all, delete-orphan", order_by="TargetWindow.id"
    )


class InjuryNote(Base):
    """What the player said about pain or an injury, on a day."""

    __tablename__ = "injury_note"

    id: Mapped[int] = mapped_column(primary_key=True)
    player_id: Mapped[int] = mapped_column(ForeignKey("player.id", ondelete="CASCADE"), index=True)
    noted_on: Mapped[date]
    words: Mapped[str] = mapped_column(Text)

    player: Mapped[Player] = relationship(back_populates="injuries")


class Lesson(Base):
    """One lesson, or one practice between lessons."""

    __tablename__ = "lesson"
    __table_args__ = (Index("ix_lesson_player_started", "player_id", "started_at"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), default=new_uid, unique=True)
    player_id: Mapped[int] = mapped_column(ForeignKey("player.id", ondelete="CASCADE"))
    kind: Mapped[LessonKind] = mapped_column(default=LessonKind.LESSON)
    title: Mapped[str] = mapped_column(String(200), default="")
    search: Mapped[str] = mapped_column(
        String(600), default="", server_default=""
    )  # title, club and drills, folded
    started_at: Mapped[datetime]
    club: Mapped[str] = mapped_column(String(80), default="")
    club_length_cm: Mapped[float | None]
    note: Mapped[str] = mapped_column(Text, default="")
    next_on: Mapped[date | None]
    on_screen_at: Mapped[datetime | None]  # when its page was last looked at while clips waited
    problem: Mapped[str] = mapped_column(Text, default="", server_default="")  # with judging it
    problem_do: Mapped[str] = mapped_column(Text, default="", server_default="")

    player: Mapped[Player] = relationship(back_populates="lessons")
    clips: Mapped[list[Clip]] = relationship(
        back_populates="lesson", cascade="all, delete-orphan", order_by="Clip.filmed_at, Clip.id"
    )
    focus: Mapped[list[Focus]] = relationship(cascade="all, delete-orphan", order_by="Focus.rank")
    cues: Mapped[list[Cue]] = relationship(cascade="all, delete-orphan", order_by="Cue.rank")
    drills: Mapped[list[DrillSet]] = relationship(
        cascade="all, delete-orphan", order_by="DrillSet.rank"
    )
    causes: Mapped[list[CauseStep]] = relationship(
        cascade="all, delete-orphan", order_by="CauseStep.rank"
    )
    attempts: Mapped[list[Attempt]] = relationship(
        cascade="all, delete-orphan", order_by="Attempt.at, Attempt.id"
    )
    planned: Mapped[PlannedPractice | None] = relationship(cascade="all, delete-orphan")
    passages: Mapped[list[Passage]] = relationship(
        cascade="all, delete-orphan", order_by="Passage.rank, Passage.id"
    )
    pack: Mapped[PackOrder | None] = relationship(cascade="all, delete-orphan")
    pictures: Mapped[list[PictureChoice]] = relationship(cascade="all, delete-orphan")
    finding: Mapped[LessonFinding | None] = relationship(cascade="all, delete-orphan")
    former: Mapped[list[FormerFinding]] = relationship(
        cascade="all, delete-orphan", order_by="FormerFinding.made_at"
    )


class Focus(Base):
    """A measure that the coach named before the after-swings are judged."""

    __tablename__ = "focus"
    __table_args__ = (UniqueConstraint("lesson_id", "at", "view"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    lesson_id: Mapped[int] = mapped_column(ForeignKey("lesson.id", ondelete="CASCADE"))
    rank: Mapped[int]
    at: Mapped[str] = mapped_column(String(80))  # 'side_bend@P6'
    view: Mapped[View]
    direction: Mapped[str] = mapped_column(String(8), default="")  # 'more', 'less' or ''
    smallest_worth: Mapped[float | None]  # None: the catalogue's own
    change: Mapped[str | None] = mapped_column(Text)  # `Change` as JSON; None: not judged yet


class Cue(Base):
    """A sentence that the player takes along."""

    __tablename__ = "cue"

    id: Mapped[int] = mapped_column(primary_key=True)
    lesson_id: Mapped[int] = mapped_column(ForeignKey("lesson.id", ondelete="CASCADE"), index=True)
    rank: Mapped[int]
    words: Mapped[str] = mapped_column(Text)


class DrillSet(Base):
    """A drill that was set, with its dose."""

    __tablename__ = "drill_set"

    id: Mapped[int] = mapped_column(primary_key=True)
    lesson_id: Mapped[int] = mapped_column(ForeignKey("lesson.id", ondelete="CASCADE"), index=True)
    rank: Mapped[int]
    drill: Mapped[str] = mapped_column(
        String(80), default=""
    )  # id in the library, '' for own words
    name: Mapped[str] = mapped_column(String(200))
    dose: Mapped[str] = mapped_column(Text, default="")
    minutes: Mapped[int | None]
    sets: Mapped[int | None]
    balls: Mapped[int | None]
    set_on: Mapped[date | None]  # None: not known, the lesson's day is meant


class PictureChoice(Base):
    """The two swings that the coach wants beside each other for a measure."""

    __tablename__ = "picture_choice"
    __table_args__ = (UniqueConstraint("lesson_id", "at", "view"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    lesson_id: Mapped[int] = mapped_column(ForeignKey("lesson.id", ondelete="CASCADE"))
    at: Mapped[str] = mapped_column(String(80))
    view: Mapped[View]
    before: Mapped[str] = mapped_column(String(400))  # swing ids of the findings
    after: Mapped[str] = mapped_column(String(400))


class LessonFinding(Base):
    """What the analysis of a whole lesson found: `Findings` as JSON."""

    __tablename__ = "lesson_finding"

    lesson_id: Mapped[int] = mapped_column(
        ForeignKey("lesson.id", ondelete="CASCADE"), primary_key=True
    )
    findings: Mapped[str] = mapped_column(Text)  # without the swings that are as in their rows
    made_at: Mapped[datetime] = mapped_column(default=now, index=True)
    stale: Mapped[bool] = mapped_column(default=False)  # something changed since
    measured_with: Mapped[str] = mapped_column(
        String(200), default="", server_default=""
    )  # versions of its clips' numbers and of the judging, ', ' between


class Media(Base):
    """A file that came in, kept once under its content hash and never altered."""

    __tablename__ = "media"

    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    size_bytes: Mapped[int] = mapped_column(BigInteger)
    suffix: Mapped[str] = mapped_column(String(8))
    kept_at: Mapped[datetime] = mapped_column(default=now)


class Clip(Base):
    """One video of a lesson."""

    __tablename__ = "clip"
    __table_args__ = (UniqueConstraint("player_id", "sha256"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), default=new_uid, unique=True)
    player_id: Mapped[int] = mapped_column(ForeignKey("player.id", ondelete="CASCADE"))
    lesson_id: Mapped[int] = mapped_column(ForeignKey("lesson.id", ondelete="CASCADE"), index=True)
    sha256: Mapped[str] = mapped_column(ForeignKey("media.sha256"), index=True)
    name: Mapped[str] = mapped_column(String(255))  # as it came, for the eye only
    filmed_at: Mapped[datetime]
    view: Mapped[View | None]  # None: not known yet
    view_by_hand: Mapped[bool] = mapped_column(default=False)
    stage: Mapped[Stage]
    stage_by_hand: Mapped[bool] = mapped_column(default=False)
    fps_declared: Mapped[float | None]  # where the container lies
    mirrored: Mapped[bool] = mapped_column(default=False, server_default=false())  # left is right
    stick: Mapped[list[list[float]] | None] = mapped_column(
        JSON(none_as_null=True)
    )  # on the target line, its two ends as clicked, px; None: none was
    stick_cm: Mapped[float | None]  # from end to end; None: not known
    state: Mapped[ClipState] = mapped_column(default=ClipState.WAITING, index=True)
    progress: Mapped[float] = mapped_column(default=0.0)  # 0 to 1
    problem: Mapped[str] = mapped_column(Text, default="")
    problem_do: Mapped[str] = mapped_column(Text, default="")
    finding: Mapped[str | None] = mapped_column(Text)  # `ClipFinding` as analysed, JSON
    measured_with: Mapped[str] = mapped_column(
        String(64), default="", server_default="", index=True
    )  # the finding's version in short; '': from before versions were kept
    tries: Mapped[int] = mapped_column(default=0, server_default="0")  # begun since it was put in
    taken_by: Mapped[str] = mapped_column(String(120), default="", server_default="")
    taken_until: Mapped[datetime | None]  # past this, whoever took it is taken for dead

    lesson: Mapped[Lesson] = relationship(back_populates="clips")
    media: Mapped[Media] = relationship()
    swings: Mapped[list[Swing]] = relationship(
        back_populates="clip", cascade="all, delete-orphan", order_by="Swing.number"
    )
    corrections: Mapped[list[Correction]] = relationship(
        cascade="all, delete-orphan", order_by="Correction.id"
    )


class Swing(Base):
    """One stroke of a clip, with its numbers after the coach's corrections."""

    __tablename__ = "swing"
    __table_args__ = (UniqueConstraint("clip_id", "number"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id", ondelete="CASCADE"))
    number: Mapped[int]
    finding: Mapped[str] = mapped_column(Text)  # `SwingFinding` JSON; '' while as analysed
    numbers: Mapped[dict[str, list[float]]] = mapped_column(JSON)  # at -> [value, se, systematic]
    left_out: Mapped[str] = mapped_column(Text, default="")  # why it does not count, '' counts

    clip: Mapped[Clip] = relationship(back_populates="swings")


class Correction(Base):
    """A landmark or a position that the coach moved; undone ones are kept, marked as undone."""

    __tablename__ = "correction"

    id: Mapped[int] = mapped_column(primary_key=True)
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id", ondelete="CASCADE"), index=True)
    swing_number: Mapped[int]
    kind: Mapped[CorrectionKind]
    name: Mapped[str] = mapped_column(String(40))  # keypoint, or 'P6'
    at_s: Mapped[float]  # clip's clock: the frame of the landmark, the new time of the position
    x_px: Mapped[float | None]
    y_px: Mapped[float | None]
    made_at: Mapped[datetime] = mapped_column(default=now)
    undone_at: Mapped[datetime | None]


class Erasure(Base):
    """That somebody was erased: counts and dates, and nothing about whom once it is done."""

    __tablename__ = "erasure"

    id: Mapped[int] = mapped_column(primary_key=True)
    player_id: Mapped[int | None]  # only while it is under way
    begun_at: Mapped[datetime] = mapped_column(default=now)
    finished_at: Mapped[datetime | None]
    plan: Mapped[dict[str, list[str]]] = mapped_column(JSON)  # files still to go; {} when done
    report: Mapped[dict[str, int]] = mapped_column(JSON, default=dict)  # what went, in numbers
