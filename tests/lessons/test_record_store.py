"""The record keeps all of a change or nothing of it, and a file once."""

import hashlib
import io
import os
import sqlite3
import stat
import time
from datetime import UTC, datetime

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine, select, text

from lessonmark.errors import RecordError
from lessonmark.lessons import migrations
from lessonmark.lessons.folding import fold
from lessonmark.lessons.record import Base, Clip, ClipState, Lesson, Player
from lessonmark.lessons.store import DATABASE_NAME, open_record, take_up_work

ON_ALL = pytest.mark.parametrize("database", ["sqlite", "postgres", "sealed"], indirect=True)


@ON_ALL
def test_migrated_tables_are_the_declared_ones(record):
    with record.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
        assert migrations.revision(connection) == migrations.newest()


@pytest.mark.parametrize(
    ("pragma", "value"),
    [("journal_mode", "wal"), ("foreign_keys", 1), ("secure_delete", 1), ("synchronous", 2)],
)
def test_sqlite_runs_in_the_safe_way(record, pragma, value):
    with record.engine.connect() as connection:
        assert connection.execute(text(f"PRAGMA {pragma}")).scalar() == value


@ON_ALL
def test_a_failed_change_leaves_nothing(record):
    def change_and_fail():
        with record.writing() as session:
            session.add(Player(name="Nobody"))
            session.flush()
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        change_and_fail()
    with record.reading() as session:
        assert session.scalars(select(Player)).all() == []


@ON_ALL
def test_a_row_that_refers_to_nothing_is_refused(record):
    with pytest.raises(RecordError, match="gone"), record.writing() as session:
        session.add(Lesson(player_id=404, started_at=datetime(2026, 1, 1, tzinfo=UTC)))


@ON_ALL
def test_a_moment_without_its_time_zone_is_refused(record, add_player):
    player_id = add_player()
    with pytest.raises(Exception, match="time zone"), record.writing() as session:
        session.add(Lesson(player_id=player_id, started_at=datetime(2026, 1, 1)))


def test_an_older_record_is_brought_up_to_date_with_its_rows(tmp_path):
    folder = tmp_path / "old"
    folder.mkdir()
    engine = create_engine(f"sqlite:///{folder / DATABASE_NAME}")
    with engine.begin() as connection:
        migrations.upgrade(connection, "0001")
        connection.execute(
            text(
                "INSERT INTO player (uid, name, handedness, note, consent_by, guardian, created_at)"
                " VALUES ('a', 'Ödön Fürge', 'left', '', '', '', '2026-01-01 00:00:00')"
            )
        )
    engine.dispose()
    record = open_record(folder)
    with record.reading() as session:
        player = session.scalars(select(Player)).one()
        assert (player.name, player.search) == ("Ödön Fürge", "odon furge")
    record.close()


def test_a_record_of_a_newer_program_is_left_alone(tmp_path):
    record = open_record(tmp_path)
    with record.writing() as session:
        session.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    record.close()
    with pytest.raises(RecordError, match="newer version"):
        open_record(tmp_path)


def test_a_foreign_database_is_left_alone(tmp_path):
    connection = sqlite3.connect(tmp_path / DATABASE_NAME)
    connection.execute("CREATE TABLE recipe (id INTEGER)")
    connection.close()
    with pytest.raises(RecordError, match="not a record"):
        open_record(tmp_path)


def test_a_damaged_database_is_said_and_left(tmp_path):
    (tmp_path / DATABASE_NAME).write_bytes(b"this is no database" * 1000)
    with pytest.raises(RecordError, match="cannot be opened"):
        open_record(tmp_path)
    assert (tmp_path / DATABASE_NAME).read_bytes().startswith(b"this is no database")


def test_a_file_is_kept_once_and_cannot_be_written(record):
    content = os.urandom(100_000)
    first = record.files.keep_stream(io.BytesIO(content), ".MP4")
    second = record.files.keep_stream(io.BytesIO(content), ".mp4")
    assert first.sha256 == hashlib.sha256(content).hexdigest()
    assert (first.was_there, second.was_there) == (False, True)
    path = record.files.load(first.sha256)
    assert path.read_bytes() == content
    assert stat.S_IMODE(path.stat().st_mode) == 0o444
    assert list(record.files.kept()) == [first.sha256]
    assert list((record.files.folder / "incoming").iterdir()) == []


def test_a_file_over_the_limit_leaves_nothing(record):
    with pytest.raises(RecordError, match="larger than 1 MB"):
        record.files.keep_stream(io.BytesIO(bytes(1_000_001)), ".mp4", limit_bytes=1_000_000)
    assert list(record.files.kept()) == []
    assert list((record.files.folder / "incoming").iterdir()) == []


@pytest.mark.parametrize(
    ("content", "suffix", "words"), [(b"", ".mp4", "empty"), (b"x", ".exe", "not a video")]
)
def test_what_is_no_clip_is_refused(record, content, suffix, words):
    with pytest.raises(RecordError, match=words):
        record.files.keep_stream(io.BytesIO(content), suffix)


def test_a_full_disk_keeps_what_was_there(record, monkeypatch):
    kept = record.files.keep_stream(io.BytesIO(b"first"), ".mp4")

    def no_space(source, target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", no_space)
    with pytest.raises(RecordError, match="No space left"):
        record.files.keep_stream(io.BytesIO(b"second"), ".mp4")
    assert list(record.files.kept()) == [kept.sha256]


@pytest.mark.parametrize("name", ["../../etc/passwd", "A" * 64, "", "0" * 63])
def test_only_hashes_name_files(record, name):
    with pytest.raises(ValueError, match="SHA-256"):
        record.files.find(name)


@ON_ALL
def test_half_done_work_is_taken_up_and_leftovers_are_swept(record, add_player):
    add_player()
    with record.writing() as session:
        session.scalars(select(Clip)).first().state = ClipState.WORKING
    orphan = record.files.keep_stream(io.BytesIO(b"no row refers to me"), ".mp4")
    young = record.files.keep_stream(io.BytesIO(b"still being brought in"), ".mp4")
    old = time.time() - 7200
    os.utime(next(record.files.folder.glob(f"files/*/{orphan.sha256}.*")), (old, old))
    half = record.files.folder / "incoming" / "half"
    half.write_bytes(b"half")
    os.utime(half, (old, old))
    assert take_up_work(record) == 1
    assert record.files.find(orphan.sha256) is None
    assert record.files.find(young.sha256) is not None
    assert not half.exists()
    with record.reading() as session:
        states = set(session.scalars(select(Clip.state)))
    assert states == {ClipState.WAITING, ClipState.DONE}


def test_words_are_searched_without_case_and_accents():
    assert fold("  Łukasz  ÉLODIE", "Straße") == "łukasz elodie strasse"
