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
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.files import CLIP_SUFFIXES, KeptFile, sync_folder, write_whole
from lessonmark.lessons.player_data import PlayerData, add_player, player_data
from lessonmark.lessons.record import Player
from lessonmark.lessons.store import Record
from lessonmark.lessons.under_way import at_work, clear_after, drop_refused
from lessonmark.lessons.zip_guard import Manifest, open_zip, read_member

__all__ = ["export_player", "import_player"]

FORMAT = "lessonmark-player-1"
PLAYER_JSON = "player.json"
MANIFEST = "manifest.json"
LARGEST_JSON_BYTES = 200_000_000
LARGEST_SHEET_BYTES = 500_000_000  # a review video of ten minutes has a tenth of it
LARGEST_FILE_BYTES = 8_000_000_000  # a phone's longest slow-motion clip is far below; a guard


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
    uids = [lesson.uid for lesson in data.lessons]
    with at_work(record, lessons=uids):
        return _write_zip(record, data, target)


def _write_zip(record: Record, data: PlayerData, target: Path) -> Path:
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
    with open_zip(source, lambda: _not_ours(source)) as archive:
        hashes = _manifest(archive, source)
        data = _read_data(archive, hashes, source)
        kept: list[KeptFile] = []
        try:
            for one in _keep_clips(record, archive, data, hashes, source):
                kept.append(one)
            with record.writing() as session:
                player_id, fresh = add_player(session, record, data)
                # Before the rows are kept: a crash then leaves files that the next try replaces,
                # those that were half written with the others.
                for uid in fresh:
                    record.files.remove_lesson(uid)
                for inside in hashes:
                    if inside.startswith("lessons/"):
                        _unpack_lesson_file(record, archive, inside, hashes[inside], fresh, source)
                for uid in fresh:
                    record.files.publish_lesson(uid)
        except BaseException:
            drop_refused(record, kept)
            clear_after(record, lessons=[lesson.uid for lesson in data.lessons])
            raise
        return player_id


def _worth_keeping(folder: Path) -> list[Path]:
    """List a lesson's files, less what the analysis makes again and what is half written."""
    return sorted(
        path
        for path in folder.rglob("*")
        if path.is_file()
        and path.relative_to(folder).parts[0] != "derived"
        and not path.name.startswith(".")
    )


def _manifest(archive: zipfile.ZipFile, source: Path) -> dict[str, str]:
    text = read_member(archive, MANIFEST, lambda: _not_ours(source), limit_bytes=LARGEST_JSON_BYTES)
    about = Manifest.model_validate_json(text)
    if about.format != FORMAT:
        raise _not_ours(source)
    return about.sha256


def _read_data(archive: zipfile.ZipFile, hashes: dict[str, str], source: Path) -> PlayerData:
    text = read_member(
        archive, PLAYER_JSON, lambda: _not_ours(source), limit_bytes=LARGEST_JSON_BYTES
    )
    if hashlib.sha256(text).hexdigest() != hashes[PLAYER_JSON]:
        raise _not_ours(source)
    return PlayerData.model_validate_json(text)


def _keep_clips(
    record: Record,
    archive: zipfile.ZipFile,
    data: PlayerData,
    hashes: dict[str, str],
    source: Path,
) -> Iterator[KeptFile]:
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
            yield record.files.keep(incoming, clip.suffix)


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
    content = read_member(
        archive, inside, lambda: _not_ours(source), limit_bytes=LARGEST_SHEET_BYTES
    )
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
