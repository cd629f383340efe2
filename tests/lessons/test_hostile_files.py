"""Zips and lesson files that somebody made to do harm are refused with a plain message.

Shapes of attack as in OWASP's cheat sheet on file upload and in Fifield, 'A better zip bomb',
WOOT 2019 (from memory): bombs, climbing paths, links, encrypted and doubled members.
"""

import contextlib
import hashlib
import json
import stat
import struct
import zipfile

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select

from lessonmark.errors import LessonFileError, LessonmarkError, RecordError
from lessonmark.lessons import zip_guard
from lessonmark.lessons.backup import back_up, restore
from lessonmark.lessons.lesson_file import LESSON_FILE, read_lesson_file
from lessonmark.lessons.privacy import export_player, import_player
from lessonmark.lessons.record import Player
from lessonmark.lessons.store import open_record

BOUNDED = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@pytest.fixture
def elsewhere(tmp_path):
    opened = open_record(tmp_path / "elsewhere")
    yield opened
    opened.close()


@pytest.fixture
def export(record, add_player, tmp_path):
    return export_player(record, add_player(), tmp_path / "player.zip")


def players(record):
    with record.reading() as session:
        return session.scalar(select(func.count()).select_from(Player))


def rewrite(path, *, add=(), change=lambda info, content: content, manifest=None):
    """Write a zip anew with members changed or added, and its list of hashes kept right."""
    with zipfile.ZipFile(path) as archive:
        members = [(info, archive.read(info)) for info in archive.infolist()]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        hashes = {}
        for info, content in members:
            if info.filename != "manifest.json":
                changed = change(info, content)
                archive.writestr(info, changed)
                hashes[info.filename] = hashlib.sha256(changed).hexdigest()
        for info, content in add:
            archive.writestr(info, content)
            hashes[getattr(info, "filename", info)] = hashlib.sha256(content).hexdigest()
        about = {"format": "lessonmark-player-1", "sha256": hashes, **(manifest or {})}
        archive.writestr("manifest.json", json.dumps(about))
    return path


def test_a_zip_bomb_is_refused_before_it_is_unpacked(export, elsewhere, monkeypatch):
    monkeypatch.setattr(zip_guard, "ALWAYS_ALLOWED_BYTES", 1_000_000)
    bomb = bytes(60_000_000)  # deflate packs zeros to a thousandth
    rewrite(export, add=[("lessons/" + "a" * 32 + "/pictures/x.jpeg", bomb)])
    assert export.stat().st_size < 200_000
    with pytest.raises(RecordError, match="far more than it holds"):
        import_player(elsewhere, export)
    assert players(elsewhere) == 0
    with pytest.raises(RecordError, match="far more than it holds"):
        restore(export, elsewhere.files.folder.parent / "fresh")


def test_a_bomb_that_lies_about_its_size_is_refused(export, elsewhere):
    with zipfile.ZipFile(export) as archive:
        uid = json.loads(archive.read("player.json"))["lessons"][0]["uid"]
    name = f"lessons/{uid}/pictures/x.jpeg"
    rewrite(export, add=[(name, bytes(30_000_000))])
    content = bytearray(export.read_bytes())
    # APPNOTE.TXT 4.3.12: the size unpacked is at 24 in the central directory's entry.
    at = content.rfind(b"PK\x01\x02", 0, content.rfind(name.encode()))
    assert struct.unpack_from("<I", content, at + 24)[0] == 30_000_000
    struct.pack_into("<I", content, at + 24, 100)
    export.write_bytes(content)
    with pytest.raises(RecordError, match="damaged"):
        import_player(elsewhere, export)
    assert players(elsewhere) == 0


@pytest.mark.parametrize(
    "name",
    [
        "lessons/../../climbed.txt",
        "lessons/{uid}/../../../climbed.txt",
        "lessons/{uid}/pictures\\..\\..\\climbed.txt",
        "lessons/{uid}/C:/climbed.txt",
        "/climbed.txt",
        "lessons//climbed.txt",
    ],
)
def test_no_member_climbs_out(export, elsewhere, record, name, tmp_path):
    with zipfile.ZipFile(export) as archive:
        uid = json.loads(archive.read("player.json"))["lessons"][0]["uid"]
    rewrite(export, add=[(name.format(uid=uid), b"here")])
    # Some climb inside the lesson's own folder and do no harm; none may leave it.
    with contextlib.suppress(RecordError):
        import_player(elsewhere, export)
    assert not list(tmp_path.rglob("climbed.txt"))


def test_a_link_in_a_zip_comes_in_as_no_link(export, elsewhere, tmp_path):
    with zipfile.ZipFile(export) as archive:
        uid = json.loads(archive.read("player.json"))["lessons"][0]["uid"]
    secret = tmp_path / "secret"
    secret.write_text("a secret")
    link = zipfile.ZipInfo(f"lessons/{uid}/pictures/link.jpeg")
    link.create_system, link.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    rewrite(export, add=[(link, str(secret).encode())])
    import_player(elsewhere, export)
    place = elsewhere.files.lesson_folder(uid) / "pictures" / "link.jpeg"
    assert not place.is_symlink()
    assert place.read_text() == str(secret)


@pytest.mark.parametrize(
    ("offset", "value"), [(8, 1), (10, 14), (10, 99)], ids=["encrypted", "lzma", "unknown packing"]
)
def test_a_member_that_cannot_be_unpacked_is_refused(export, elsewhere, offset, value):
    content = bytearray(export.read_bytes())
    at = content.find(b"PK\x01\x02")
    struct.pack_into("<H", content, at + offset, value)
    export.write_bytes(content)
    with pytest.raises(RecordError, match="damaged"):
        import_player(elsewhere, export)
    with pytest.raises(RecordError, match="not a backup"):
        restore(export, elsewhere.files.folder.parent / "fresh")


def test_a_doubled_member_is_refused(export, elsewhere):
    with zipfile.ZipFile(export, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("player.json", "{}")
    with pytest.raises(RecordError, match="damaged"):
        import_player(elsewhere, export)


@pytest.mark.parametrize(
    "manifest",
    [{"sha256": []}, {"sha256": {"player.json": 7}}, {"sha256": None}, {"format": ["x"]}],
    ids=str,
)
def test_a_list_of_hashes_that_is_none_is_refused(export, elsewhere, manifest):
    rewrite(export, manifest=manifest)
    with pytest.raises(RecordError, match="damaged"):
        import_player(elsewhere, export)


def test_json_without_end_is_refused(export, elsewhere):
    rewrite(
        export,
        change=lambda info, content: b"[" * 200_000 if info.filename == "player.json" else content,
    )
    with pytest.raises(RecordError, match="damaged"):
        import_player(elsewhere, export)


@BOUNDED
@given(data=st.data())
def test_no_bent_export_or_backup_does_more_than_be_refused(
    record, elsewhere, export, tmp_path, data
):
    content = bytearray(export.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(content) - 1))
        content[at] = data.draw(st.integers(0, 255))
    bent = tmp_path / "bent.zip"
    bent.write_bytes(content[: data.draw(st.integers(len(content) // 2, len(content)))])
    for take in (
        lambda: import_player(elsewhere, bent),
        lambda: restore(bent, tmp_path / "restored"),
    ):
        said = ""
        try:
            take()
        except LessonmarkError as err:
            said = str(err)
        assert str(tmp_path) not in said  # no path of this machine is told


def test_a_bent_backup_leaves_nothing_behind(record, add_player, tmp_path):
    add_player()
    path = back_up(record, tmp_path / "backup.zip")
    content = bytearray(path.read_bytes())
    content[len(content) // 3] ^= 0xFF
    path.write_bytes(content)
    with pytest.raises(RecordError):
        restore(path, tmp_path / "fresh")
    assert not (tmp_path / "fresh").exists()


TOML = """
[lesson]
title = "x"
date = 2026-05-04
"""


@BOUNDED
@given(text=st.text(max_size=400) | st.text("[]=\"'.#{}\n0123456789abclesson", max_size=400))
@example(text="[lesson]\ntitle = " + "[" * 5000)
@example(text="a" + ".a" * 5000 + " = 1")
@example(text=TOML + "date = 1979-05-27")
def test_no_lesson_file_does_more_than_be_refused(tmp_path, text):
    (tmp_path / LESSON_FILE).write_text(text, encoding="utf-8", errors="replace")
    with pytest.raises(LessonFileError):
        read_lesson_file(tmp_path)


@BOUNDED
@given(content=st.binary(max_size=300))
def test_no_bytes_named_lesson_file_do_more_than_be_refused(tmp_path, content):
    (tmp_path / LESSON_FILE).write_bytes(content)
    with pytest.raises(LessonFileError):
        read_lesson_file(tmp_path)
