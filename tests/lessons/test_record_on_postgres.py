"""The record on a real PostgreSQL server, by its one setting.

What every database must do alike is tested on both in `test_record_store` and
`test_record_privacy`; here is what only a server has, and the way from one kind to the other.
"""

import re
import threading
from datetime import UTC, datetime
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import create_engine, func, inspect, make_url, select, text

from lessonmark.errors import RecordError
from lessonmark.lessons import erasure, migrations
from lessonmark.lessons.backup import back_up, check_clips
from lessonmark.lessons.drill_record import drill_results, record_state
from lessonmark.lessons.erasure import erase_player
from lessonmark.lessons.listing import lesson_lines, list_players, load_lesson
from lessonmark.lessons.own_scatter import own_scatters
from lessonmark.lessons.player_course import course_choices, player_course
from lessonmark.lessons.player_data import player_data
from lessonmark.lessons.privacy import export_player, import_player
from lessonmark.lessons.record import Base, Clip, Focus, Lesson, Player, Swing
from lessonmark.lessons.store import open_record
from lessonmark.measures.measured import MeasureAt


@pytest.fixture
def database(postgres_database):
    return postgres_database


def test_one_setting_moves_the_record_to_a_server(tmp_path, postgres_database, monkeypatch):
    monkeypatch.setenv("LESSONMARK_DATABASE", postgres_database)
    record = open_record(tmp_path)
    with record.writing() as session:
        session.add(Player(name="Ödön Fürge", search="odon furge"))
    record.close()
    # Seen by the server's own client, in the server's own tables.
    there = make_url(postgres_database)
    with psycopg.connect(
        host=there.query["host"], user=there.username, dbname=there.database
    ) as client:
        assert client.execute("SELECT name FROM player").fetchall() == [("Ödön Fürge",)]
    assert not list(tmp_path.glob("*.sqlite*"))


def test_both_kinds_of_database_have_the_same_tables(record, tmp_path):
    beside = open_record(tmp_path / "sqlite")

    def tables(engine):
        seen = inspect(engine)
        return {
            name: (
                {column["name"]: column["nullable"] for column in seen.get_columns(name)},
                {tuple(key["constrained_columns"]) for key in seen.get_foreign_keys(name)},
                {tuple(one["column_names"]) for one in seen.get_unique_constraints(name)},
                {one["name"] for one in seen.get_indexes(name) if not one["unique"]},
            )
            for name in seen.get_table_names()
        }

    assert tables(record.engine) == tables(beside.engine)
    beside.close()


def test_an_older_record_on_a_server_is_brought_up_to_date(tmp_path, postgres_database):
    engine = create_engine(postgres_database)
    with engine.begin() as connection:
        migrations.upgrade(connection, "0001")
        connection.execute(
            text(
                "INSERT INTO player (uid, name, handedness, note, consent_by, guardian, created_at)"
                " VALUES ('a', 'Ödön Fürge', 'left', '', '', '', '2026-01-01 00:00:00')"
            )
        )
    engine.dispose()
    record = open_record(tmp_path, database=postgres_database)
    with record.reading() as session:
        player = session.scalars(select(Player)).one()
        assert (player.name, player.search) == ("Ödön Fürge", "odon furge")
        assert player.created_at == datetime(2026, 1, 1, tzinfo=UTC)
    record.close()


def test_a_migration_that_breaks_off_leaves_the_tables_as_they_were(postgres_database):
    engine = create_engine(postgres_database)

    def broken_off():
        with engine.begin() as connection:
            migrations.upgrade(connection)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        broken_off()
    assert inspect(engine).get_table_names() == []
    engine.dispose()


def test_windows_that_open_at_once_make_one_record(tmp_path, postgres_database):
    opened, troubles = [], []
    together = threading.Barrier(4)

    def open_it():
        together.wait()
        try:
            opened.append(open_record(tmp_path, database=postgres_database))
        except Exception as err:
            troubles.append(err)

    threads = [threading.Thread(target=open_it) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert troubles == []
    with opened[0].engine.connect() as connection:
        assert migrations.revision(connection) == migrations.newest()
    for record in opened:
        record.close()


def test_listing_pages_read_the_same_rows(record, add_player):
    wilma = add_player("Wilma Testerly", lessons=2)
    add_player("Åsa Wilmsen", first_byte=100)
    add_player("Somebody Else", first_byte=200)
    with record.reading() as session:
        lines, total = list_players(session, search="WILM")
        assert ([line.name for line in lines], total) == (["Åsa Wilmsen", "Wilma Testerly"], 2)
        assert (lines[1].lessons, lines[1].swings, lines[1].waiting) == (2, 4, 0)
        first, total = list_players(session, limit=1, start=1)
        assert (first[0].name, total) == ("Somebody Else", 3)
        newest = lesson_lines(session, wilma)[0]
        assert (newest.swings, newest.drills) == (2, ("feet together",))
        (focus,) = course_choices(session, wilma)
        found = player_course(session, wilma, MeasureAt.parse(focus.at), focus.view)
        assert [one.dots for one in found.course.sets] == [(12.5,)] * 4
        assert found.course.target[1] == 30.0
        # A length is looked up with its unit: clips without a scale are told from the others.
        assert player_course(session, wilma, MeasureAt.parse("pelvis_shift@P6"), focus.view)
        # One swing a stage tells no scatter.
        assert own_scatters(session.get_one(Lesson, newest.id)) == {}
        assert drill_results(session, ()) == ()
        assert record_state(session)[0] == 4
        assert load_lesson(session, newest.id).clips[0].filmed_at == datetime(
            2026, 5, 11, 9, 30, tzinfo=UTC
        )


def test_rows_go_with_what_they_belong_to(record, add_player):
    # The server's own ON DELETE, below SQLAlchemy.
    player_id = add_player()
    with record.writing() as session:
        session.execute(text("DELETE FROM player WHERE id = :id"), {"id": player_id})
    with record.reading() as session:
        for table in (Lesson, Clip, Swing, Focus):
            assert session.scalar(select(func.count()).select_from(table)) == 0


def test_a_player_moves_from_one_kind_of_database_to_the_other_and_back(
    record, add_player, tmp_path, postgres
):
    player_id = add_player(lessons=2)
    laptop = open_record(tmp_path / "laptop")
    url = postgres.new_database()
    office = open_record(tmp_path / "office", database=url)
    there = import_player(laptop, export_player(record, player_id, tmp_path / "1.zip"))
    back = import_player(office, export_player(laptop, there, tmp_path / "2.zip"))

    def gathered(which, key):
        with which.reading() as session:
            return player_data(session.get_one(Player, key))

    assert gathered(office, back) == gathered(record, player_id)
    assert check_clips(office) == []
    laptop.close()
    office.close()
    postgres.drop(url)


def test_a_trace_that_is_left_on_a_server_is_found(record, add_player):
    # Guards the proof: words that another player's lesson holds are seen.
    player_id = add_player()
    other = add_player("Somebody Else", first_byte=100)
    with record.writing() as session:
        lesson = session.scalars(select(Lesson).where(Lesson.player_id == other)).one()
        lesson.title = "as Wilma Testerly does it"
    report = erase_player(record, player_id)
    assert not report.proven
    assert report.left[0].startswith("lesson.title")


def test_erasure_leaves_no_dead_rows_in_the_tables_files(record, add_player, postgres_database):
    player_id = add_player()
    erase_player(record, player_id)
    # The server's own files of this database, read as bytes.
    with record.reading() as session:
        home = session.scalar(text("SHOW data_directory"))
        kept = [
            session.scalar(text("SELECT pg_relation_filepath(:name)"), {"name": table.name})
            for table in Base.metadata.sorted_tables
        ]
        session.execute(text("CHECKPOINT"))
    content = b"".join((Path(home) / name).read_bytes() for name in kept)
    assert b"Wilma" not in content
    assert report_of(record)["player"] == 1


def report_of(record):
    with record.reading() as session:
        return session.scalars(select(erasure.Erasure)).one().report


def test_a_server_is_backed_up_by_its_own_tools(record, tmp_path):
    with pytest.raises(RecordError, match="server's own tools"):
        back_up(record, tmp_path / "backup.zip")
    assert not (tmp_path / "backup.zip").exists()


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("postgresql+psycopg://coach:s3cret@/r?host={nowhere}", "cannot be opened"),
        ("postgresql+nosuchdriver://coach:s3cret@/r", "no address of a database"),
        ("coach:s3cret at the office", "no address of a database"),
    ],
)
def test_a_server_that_is_not_there_is_said_without_the_password(tmp_path, url, words):
    with pytest.raises(RecordError, match=words) as caught:
        open_record(tmp_path, database=url.format(nowhere=tmp_path))
    assert "LESSONMARK_DATABASE" in str(caught.value)
    assert "s3cret" not in str(caught.value)


def test_a_connection_that_the_server_cut_is_made_anew(record, add_player, postgres):
    add_player()
    name = re.escape(make_url(str(record.engine.url)).database)
    with postgres.connect() as master:
        cut = master.execute(
            "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE datname ~ %s",
            [f"^{name}$"],
        ).fetchone()
    assert cut[0] > 0
    with record.reading() as session:
        assert session.scalars(select(Player.name)).all() == ["Wilma Testerly"]
