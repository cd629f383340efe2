"""Hand one player's data over as a zip, and take such a zip in on another machine.

    player.json        everything the record holds, see `PlayerData`
    clips/<sha256>.mp4 the clips as they came
    lessons/<uid>/...  pictures and sheets
    manifest.json      format and the hash of every other file

Taking the same zip in twice changes nothing.
"""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from datetime import UTC, date, datetime
from pathlib import Path, PurePosixPath

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.files import CLIP_SUFFIXES, sync_folder, write_whole
from lessonmark.lessons.folding import fold
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
from lessonmark.words import Handedness, Stage, View

__all__ = ["PlayerData", "export_player", "import_player"]

FORMAT = "lessonmark-player-1"
PLAYER_JSON = "player.json"
MANIFEST = "manifest.json"
LARGEST_JSON_BYTES = 200_000_000
LARGEST_FILE_BYTES = 8_000_000_000  # a phone's longest slow-motion clip is far below; a guard


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
    state: ClipState
    problem: str
    problem_do: str
    finding: str | None
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


def export_player(record: Record, player_id: int, target: Path) -> Path:
    """Write everything of one player into a zip; `target` appears only when it is whole.

    Raises
    ------
    RecordError : there is no such player, a clip's file is missing, or the disk is full.
    """
    with record.reading() as session:
        player = session.get(Player, player_id)
        if player is None or player.erasing_since is not None:
            raise RecordError(say("this player is not in the record"), do=say("reload the list"))
        data = player_data(player)
    unfinished = target.with_name(f".{target.name}.part")
    hashes: dict[str, str] = {}
    try:
        with zipfile.ZipFile(unfinished, "w", zipfile.ZIP_STORED) as archive:
            text = data.model_dump_json(indent=1).encode()
            archive.writestr(PLAYER_JSON, text, compress_type=zipfile.ZIP_DEFLATED)
            hashes[PLAYER_JSON] = hashlib.sha256(text).hexdigest()
            for lesson in data.lessons:
                for clip in lesson.clips:
                    inside = f"clips/{clip.sha256}{clip.suffix}"
                    archive.write(record.files.load(clip.sha256), inside)
                    hashes[inside] = clip.sha256
                folder = record.files.lesson_folder(lesson.uid)
                for path in _worth_keeping(folder):
                    inside = f"lessons/{lesson.uid}/{path.relative_to(folder).as_posix()}"
                    content = path.read_bytes()
                    archive.writestr(inside, content)
                    hashes[inside] = hashlib.sha256(content).hexdigest()
            about = {"format": FORMAT, "made_at": _stamp(), "sha256": hashes}
            archive.writestr(MANIFEST, json.dumps(about, indent=1))
        with open(unfinished, "rb") as file:
            os.fsync(file.fileno())
        os.replace(unfinished, target)
    except OSError as err:
        raise RecordError(
            say("the export could not be written: {reason}", reason=err.strerror or str(err)),
            path=target,
            do=say("choose a disk with more space; the record itself is untouched"),
        ) from err
    finally:
        unfinished.unlink(missing_ok=True)
    sync_folder(target.parent)
    return target


def import_player(record: Record, source: Path) -> int:
    """Take a player's zip in; gives the player's id here.

    Lessons that are here already stay as they are; missing ones are added. Files are checked
    against their hashes before a row is written.

    Raises
    ------
    RecordError : the zip is damaged or not one of ours; nothing was changed.
    """
    try:
        with zipfile.ZipFile(source) as archive:
            hashes = _manifest(archive, source)
            data = _read_data(archive, hashes, source)
            _keep_clips(record, archive, data, hashes, source)
            with record.writing() as session:
                player_id, fresh = _add_player(session, record, data)
                # Before the rows are kept: a crash then leaves files that the next try replaces.
                for inside in hashes:
                    if inside.startswith("lessons/"):
                        _unpack_lesson_file(record, archive, inside, hashes[inside], fresh, source)
            return player_id
    except (zipfile.BadZipFile, KeyError, ValidationError, ValueError, OSError) as err:
        raise _not_ours(source) from err


def _worth_keeping(folder: Path) -> list[Path]:
    """List a lesson's files, less what the analysis makes again by itself."""
    return sorted(
        path
        for path in folder.rglob("*")
        if path.is_file() and path.relative_to(folder).parts[0] != "derived"
    )


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
    nested = {
        "focus",
        "cues",
        "drills",
        "pictures",
        "findings",
        "clips",
        "passages",
        "pack",
        "plans",
    }
    return LessonData(
        **{name: getattr(lesson, name) for name in LessonData.model_fields if name not in nested},
        focus=[FocusData.model_validate(row) for row in lesson.focus],
        cues=[CueData.model_validate(row) for row in lesson.cues],
        drills=[DrillData.model_validate(row) for row in lesson.drills],
        pictures=[PictureData.model_validate(row) for row in lesson.pictures],
        findings=lesson.finding.findings if lesson.finding else None,
        clips=[_clip_data(clip) for clip in lesson.clips],
        passages=passage_data(lesson),
        pack=pack_data(lesson),
        plans=plans_data(lesson),
    )


def _clip_data(clip: Clip) -> ClipData:
    nested = {"suffix", "swings", "corrections"}
    return ClipData(
        **{name: getattr(clip, name) for name in ClipData.model_fields if name not in nested},
        suffix=clip.media.suffix,
        swings=[SwingData.model_validate(row) for row in clip.swings],
        corrections=[CorrectionData.model_validate(row) for row in clip.corrections],
    )


def _manifest(archive: zipfile.ZipFile, source: Path) -> dict[str, str]:
    if archive.getinfo(MANIFEST).file_size > LARGEST_JSON_BYTES:
        raise _not_ours(source)
    about = json.loads(archive.read(MANIFEST))
    if not isinstance(about, dict) or about.get("format") != FORMAT:
        raise _not_ours(source)
    return {str(inside): str(sha256) for inside, sha256 in about["sha256"].items()}


def _read_data(archive: zipfile.ZipFile, hashes: dict[str, str], source: Path) -> PlayerData:
    if archive.getinfo(PLAYER_JSON).file_size > LARGEST_JSON_BYTES:
        raise _not_ours(source)
    text = archive.read(PLAYER_JSON)
    if hashlib.sha256(text).hexdigest() != hashes[PLAYER_JSON]:
        raise _not_ours(source)
    return PlayerData.model_validate_json(text)


def _keep_clips(
    record: Record,
    archive: zipfile.ZipFile,
    data: PlayerData,
    hashes: dict[str, str],
    source: Path,
) -> None:
    for clip in (clip for lesson in data.lessons for clip in lesson.clips):
        inside = f"clips/{clip.sha256}{clip.suffix}"
        if clip.suffix not in CLIP_SUFFIXES or hashes[inside] != clip.sha256:
            raise _not_ours(source)
        with (
            archive.open(inside) as member,
            record.files.receiving(limit_bytes=LARGEST_FILE_BYTES) as incoming,
        ):
            while chunk := member.read(1 << 20):
                incoming.write(chunk)
            if incoming.sha256 != clip.sha256:
                raise _not_ours(source)
            record.files.keep(incoming, clip.suffix)


def _add_player(session: Session, record: Record, data: PlayerData) -> tuple[int, set[str]]:
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
    nested = {
        "focus",
        "cues",
        "drills",
        "pictures",
        "findings",
        "clips",
        "passages",
        "pack",
        "plans",
    }
    names = [drill.name for drill in data.drills]
    lesson = Lesson(
        **data.model_dump(exclude=nested),
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


def _unpack_lesson_file(
    record: Record,
    archive: zipfile.ZipFile,
    inside: str,
    sha256: str,
    fresh: set[str],
    source: Path,
) -> None:
    parts = PurePosixPath(inside).parts
    if len(parts) < 3 or ".." in parts or "\\" in inside or any(":" in part for part in parts):
        raise _not_ours(source)
    if parts[1] not in fresh:
        return
    content = archive.read(inside)
    if hashlib.sha256(content).hexdigest() != sha256:
        raise _not_ours(source)
    place = record.files.lesson_folder(parts[1]).joinpath(*parts[2:])
    place.parent.mkdir(parents=True, exist_ok=True)
    write_whole(place, content)


def _stamp() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _not_ours(source: Path) -> RecordError:
    return RecordError(
        say("this file is not a player's export of this program, or is damaged"),
        path=source,
        do=say("export the player again on the other machine; nothing here was changed"),
    )
