"""A player's data can be handed over, taken in elsewhere, and erased with proof."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
import zipfile
from datetime import UTC, date, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select

from lessonmark.drills.library import find_drill
from lessonmark.errors import CannotMeasure, RecordError
from lessonmark.lessons import erasure, work
from lessonmark.lessons.analyser import LessonJob
from lessonmark.lessons.backup import back_up, check_clips, check_record, restore
from lessonmark.lessons.coach_library import coach_library
from lessonmark.lessons.erasure import erase_player
from lessonmark.lessons.player_data import player_data
from lessonmark.lessons.privacy import export_player, import_player
from lessonmark.lessons.record import Base, Clip, Cue, InjuryNote, Lesson, Player
from lessonmark.lessons.store import DATABASE_NAME, open_record, take_up_work

ON_ALL = pytest.mark.parametrize("database", ["sqlite", "postgres", "sealed"], indirect=True)


@pytest.fixture
def elsewhere(tmp_path):
    opened = open_record(tmp_path / "elsewhere")
    yield opened
    opened.close()


def gathered(record, player_id):
    with record.reading() as session:
        return player_data(session.get_one(Player, player_id))


def rows(record):
    with record.reading() as session:
        return {
            table.name: session.scalar(select(func.count()).select_from(table))
            for table in Base.metadata.sorted_tables
        }


def problems(record):
    return check_record(record.files.folder) if record.is_sqlite else check_clips(record)


@ON_ALL
def test_export_taken_in_elsewhere_is_the_same_player(record, elsewhere, add_player, tmp_path):
    player_id = add_player(lessons=2)
    path = export_player(record, player_id, tmp_path / "player.zip")
    there = import_player(elsewhere, path)
    assert gathered(elsewhere, there) == gathered(record, player_id)
    with elsewhere.reading() as session:
        clip = session.scalars(select(Clip)).first()
        assert (clip.stick, clip.stick_cm) == ([[10.5, 900.0], [300.0, 905.25]], 121.9)
    assert set(elsewhere.files.kept()) == set(record.files.kept())
    with elsewhere.reading() as session:
        uid = session.scalars(select(Lesson.uid)).first()
    sheet = elsewhere.files.lesson_folder(uid) / "sheets" / "sheet.html"
    assert sheet.read_text() == "<p>sheet of Wilma Testerly</p>"


def test_the_same_export_twice_changes_nothing(record, elsewhere, add_player, tmp_path):
    path = export_player(record, add_player(), tmp_path / "player.zip")
    import_player(elsewhere, path)
    before = rows(elsewhere)
    import_player(elsewhere, path)
    assert rows(elsewhere) == before


WORDS = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=60)


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    name=WORDS,
    cue=WORDS,
    hurt=WORDS,
    born=st.none() | st.integers(1930, 2020),
    stature=st.none() | st.floats(100, 220),
    started=st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC)),
)
def test_any_words_survive_export_and_import(
    record, elsewhere, tmp_path, name, cue, hurt, born, stature, started
):
    with record.writing() as session:
        player = Player(name=name, birth_year=born, stature_cm=stature)
        player.injuries = [InjuryNote(noted_on=date(2026, 1, 2), words=hurt)]
        player.lessons = [Lesson(started_at=started, cues=[Cue(rank=1, words=cue)])]
        session.add(player)
        session.flush()
        player_id = player.id
    path = export_player(record, player_id, tmp_path / "any.zip")
    assert gathered(elsewhere, import_player(elsewhere, path)) == gathered(record, player_id)


def rewrite(path, change):
    """Copy a zip with some members changed: `change(name, content) -> (name, content) | None`."""
    with zipfile.ZipFile(path) as archive:
        members = [(info.filename, archive.read(info)) for info in archive.infolist()]
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in members:
            changed = change(name, content)
            if changed is not None:
                archive.writestr(*changed)


def test_what_a_killed_import_left_half_written_is_not_taken_over(
    record, elsewhere, add_player, tmp_path
):
    """Files of a lesson come before its rows: `bench/kills.py` found one that stayed."""
    player_id = add_player()
    path = export_player(record, player_id, tmp_path / "player.zip")
    uid = gathered(record, player_id).lessons[0].uid
    voice = elsewhere.files.lesson_folder(uid) / "voice"
    voice.mkdir()
    (voice / ".new-x1").write_bytes(b"half of a recording")
    there = import_player(elsewhere, path)
    assert not voice.exists()
    # And where one lies in a lesson that is there, it is not handed on.
    (elsewhere.files.lesson_folder(uid) / ".new-x2").write_bytes(b"half of a sheet")
    again = export_player(elsewhere, there, tmp_path / "again.zip")
    with zipfile.ZipFile(again) as archive:
        assert not [name for name in archive.namelist() if ".new-" in name]


def climb_out(name, content):
    if name != "manifest.json":
        return name, content
    about = json.loads(content)
    about["sha256"]["lessons/../../climbed.txt"] = "0" * 64
    return name, json.dumps(about)


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(
            lambda n, c: (n, c[:-1] + b"X") if "clips/" in n else (n, c), id="altered clip"
        ),
        pytest.param(lambda n, c: None if n == "manifest.json" else (n, c), id="no manifest"),
        pytest.param(lambda n, c: None if "clips/" in n else (n, c), id="clip missing"),
        pytest.param(
            lambda n, c: (n, c.replace(b"Wilma", b"Wilmo")) if n == "player.json" else (n, c),
            id="altered words",
        ),
        pytest.param(climb_out, id="path that climbs out"),
        pytest.param(
            lambda n, c: (n, c.replace(b"player-1", b"player-9")) if "manif" in n else (n, c),
            id="another format",
        ),
    ],
)
def test_a_damaged_export_changes_nothing(record, elsewhere, add_player, tmp_path, change):
    path = export_player(record, add_player(), tmp_path / "player.zip")
    rewrite(path, change)
    before = rows(elsewhere)
    with pytest.raises(RecordError, match="damaged"):
        import_player(elsewhere, path)
    assert rows(elsewhere) == before
    assert not list(tmp_path.rglob("climbed.txt"))


@ON_ALL
def test_erasure_removes_rows_files_and_traces(record, add_player):
    player_id = add_player(lessons=2)
    keeper_id = add_player("Someone Else", first_byte=100)
    report = erase_player(record, player_id)
    assert report.proven
    assert report.rows["player"] == 1
    assert report.rows["clip"] == 4
    assert report.files == 4 + 4 + 2  # clips, tracks, sheets
    content = b"".join(
        path.read_bytes() for path in record.files.folder.rglob("*") if path.is_file()
    )
    assert b"Wilma" not in content
    # Sealed, neither is there to be read: `test_sealed_record` looks through the key.
    assert (b"Someone Else" in content) is (record.keys is None)
    assert gathered(record, keeper_id).name == "Someone Else"
    assert problems(record) == []


@ON_ALL
def test_a_file_shared_with_another_player_stays_for_them(record, add_player):
    first = add_player("First Player")
    second = add_player("Second Player")  # the very same bytes
    erase_player(record, first)
    assert problems(record) == []
    for clip in gathered(record, second).lessons[0].clips:
        assert record.files.load(clip.sha256).is_file()


def test_a_trace_that_is_left_is_found(record, add_player, monkeypatch):
    # Guards the proof itself: without overwriting, the freed pages still hold the words.
    monkeypatch.setattr(erasure, "rebuild", lambda record: None)
    monkeypatch.setattr(erasure, "AGAIN_AFTER_S", 0.0)
    player_id = add_player()
    with record.writing() as session:
        session.connection().exec_driver_sql("PRAGMA secure_delete = OFF")
        session.get_one(Player, player_id).note = "something else now, " * 3
    report = erase_player(record, player_id)
    assert not report.proven


@ON_ALL
def test_an_erasure_cut_short_is_finished_at_the_next_opening(record, add_player, monkeypatch):
    player_id = add_player()

    def power_cut(*args):
        raise KeyboardInterrupt

    monkeypatch.setattr(erasure, "_delete_rows", power_cut)
    with pytest.raises(KeyboardInterrupt):
        erase_player(record, player_id)
    monkeypatch.undo()
    again = open_record(record.files.folder)
    with again.reading() as session:
        assert session.get(Player, player_id) is None
        assert session.scalars(select(Clip)).all() == []
    assert list(again.files.kept()) == []
    again.close()


ERASE_UNTIL_KILLED = """
import os, signal, sys
from pathlib import Path
from sqlalchemy import event
from lessonmark.lessons import erasure
from lessonmark.lessons.sealed_keys import RecordKeys
from lessonmark.lessons.store import open_record
folder, database, player_id, where, *keys = sys.argv[1:]
def killed(*args, **more):
    os.kill(os.getpid(), signal.SIGKILL)
setattr(erasure, where, killed)
record = open_record(
    Path(folder),
    database=None if database in ("None", "sealed") else database,
    keys=RecordKeys(identity=keys[0], database=keys[1]) if keys else None,
)
if record.is_sqlite:  # what is removed is not overwritten: the proof has something to find
    event.listen(record.engine, "checkout", lambda raw, *_: raw.execute("PRAGMA secure_delete = 0"))
erasure.erase_player(record, int(player_id))
"""


@ON_ALL
@pytest.mark.parametrize("where", ["rebuild", "find_traces", "forget_words"])
def test_an_erasure_killed_after_the_rows_went_still_searches_for_every_word(
    record, add_player, database, request, monkeypatch, where
):
    """Killed before the database is rebuilt, before it is searched, and before the words go."""
    player_id = add_player()
    folder, sealed = record.files.folder, record.keys is not None
    with record.reading() as session:
        player = session.get_one(Player, player_id)
        theirs = {player.name, player.injuries[0].words, player.lessons[0].uid}
    keys = (record.keys.identity, record.keys.database) if sealed else ()
    record.close()
    child = subprocess.run(
        [
            sys.executable,
            "-c",
            ERASE_UNTIL_KILLED,
            folder,
            str(database),
            str(player_id),
            where,
            *keys,
        ],
        timeout=120,
        check=False,
    )
    assert child.returncode == -signal.SIGKILL

    searched = []
    find = erasure.find_traces

    def look(record, traces, **more):
        searched.append(set(traces))
        return find(record, traces, **more)

    def opened():
        if sealed:
            return request.getfixturevalue("sealer").open(folder)
        return open_record(folder, database=database)

    monkeypatch.setattr(erasure, "AGAIN_AFTER_S", 0.0)
    monkeypatch.setattr(erasure, "find_traces", look)
    if where == "rebuild" and database is None:
        # Not rebuilt, the file still holds the words, and who comes next says so.
        with monkeypatch.context() as patched:
            patched.setattr(erasure, "rebuild", lambda record: None)
            again = opened()
            assert unfinished(again) == 1
            assert look(again, sorted(theirs), media=[], lessons=[])
            again.close()
    again = opened()
    assert all(theirs <= words for words in searched)
    assert searched
    assert unfinished(again) == 0
    with again.reading() as session:
        assert session.scalars(select(erasure.Erasure.plan)).one() == {}
    assert list((folder / "lessons").iterdir()) == []
    again.close()
    # Nothing of what was kept for the proof is left, nor on the disk what it was kept of.
    content = b"".join(path.read_bytes() for path in folder.rglob("*") if path.is_file())
    assert [word for word in theirs if word.encode() in content] == []


def unfinished(record):
    with record.reading() as session:
        under_way = select(func.count()).where(erasure.Erasure.finished_at.is_(None))
        return session.scalar(under_way)


def test_words_kept_for_the_proof_outlive_the_sweep_at_the_start(record, add_player, monkeypatch):
    player_id = add_player()
    monkeypatch.setattr(erasure, "AGAIN_AFTER_S", 0.0)
    monkeypatch.setattr(erasure, "rebuild", lambda record: None)
    monkeypatch.setattr(erasure, "find_traces", lambda *args, **more: ["somewhere"])
    assert not erase_player(record, player_id).proven
    (words,) = (record.files.folder / "lessons").iterdir()
    os.utime(words, (0, 0))
    take_up_work(record)
    assert (words / "sought.json").is_file()
    monkeypatch.undo()
    open_record(record.files.folder).close()
    assert not words.exists()


@ON_ALL
def test_nobody_is_no_player(record):
    with pytest.raises(RecordError, match="not in the record"):
        erase_player(record, 404)


def test_backup_comes_back_whole(record, add_player, tmp_path):
    player_id = add_player(lessons=2)
    path = back_up(record, tmp_path / "backup.zip")
    restore(path, tmp_path / "restored")
    assert check_record(tmp_path / "restored") == []
    again = open_record(tmp_path / "restored")
    assert gathered(again, player_id) == gathered(record, player_id)
    again.close()


def test_backup_brings_the_coachs_own_drills_back(record, add_player, tmp_path, write_drill):
    """The laptop's own, and on a shared server the folder of each coach."""
    add_player()
    drills = record.files.folder / "drills"
    write_drill(drills / "wait.toml", id="wait", cue="Wait a beat.")
    write_drill(drills / "coach-2" / "pause-at-top.toml", id="pause-at-top", cue="Stand still.")
    restore(back_up(record, tmp_path / "backup.zip"), tmp_path / "again")
    for coach in (None, 2):
        there = coach_library(tmp_path / "again", coach=coach)
        assert there == coach_library(record.files.folder, coach=coach)
        assert "Wait a beat." in {drill.cue for drill in there}
    assert find_drill(there, "pause-at-top").cue == "Stand still."
    with open(tmp_path / "again" / "drills" / "wait.toml", "a", encoding="utf-8") as file:
        file.write("# mine to edit\n")


def test_restore_never_writes_over_a_record(record, add_player, tmp_path):
    player_id = add_player()
    path = back_up(record, tmp_path / "backup.zip")
    with pytest.raises(RecordError, match="something in this folder"):
        restore(path, record.files.folder)
    assert gathered(record, player_id).name == "Wilma Testerly"


def test_a_damaged_backup_is_refused_and_leaves_nothing(record, add_player, tmp_path):
    add_player()
    path = back_up(record, tmp_path / "backup.zip")
    rewrite(path, lambda n, c: (n, b"X" + c[1:]) if n.startswith("files/") else (n, c))
    with pytest.raises(RecordError, match="damaged"):
        restore(path, tmp_path / "restored")
    assert not (tmp_path / "restored").exists()


def test_the_check_sees_an_altered_clip_and_a_dangling_row(record, add_player):
    add_player()
    sha256 = next(record.files.kept())
    path = record.files.load(sha256)
    path.chmod(0o644)
    path.write_bytes(b"altered")
    connection = sqlite3.connect(record.files.folder / DATABASE_NAME)
    connection.execute("INSERT INTO cue (lesson_id, rank, words) VALUES (404, 1, 'x')")
    connection.commit()
    connection.close()
    problems = check_record(record.files.folder)
    assert any("altered" in problem for problem in problems)
    assert any("refer to something missing" in problem for problem in problems)


@ON_ALL
def test_what_the_background_writes_while_a_player_is_erased_goes_too(
    record, add_player, monkeypatch
):
    """A lesson that is being judged when its player goes leaves no folder behind."""
    player_id = add_player()
    with record.reading() as session:
        lesson = session.scalars(select(Lesson)).one()
        uid, lesson_id = lesson.uid, lesson.id
    reports = []

    class Judging:
        def analyse_lesson(self, job):
            reports.append(erase_player(record, player_id))
            job.folder.mkdir()
            (job.folder / "picture.jpg").write_bytes(b"a still of Wilma Testerly")
            raise CannotMeasure("the files went away underneath")

    job = LessonJob.__new__(LessonJob)
    object.__setattr__(job, "clips", ("one",))
    object.__setattr__(job, "folder", record.files.folder / "lessons" / uid)
    monkeypatch.setattr(work, "lesson_job", lambda files, lesson: job)
    with pytest.raises(CannotMeasure):
        work.judge_lesson(record, Judging(), lesson_id, pictures=True)
    assert reports[0].proven
    assert not (record.files.folder / "lessons" / uid).exists()
    assert not work.judge_lesson(record, Judging(), lesson_id, pictures=True)


def test_folders_of_nobody_are_swept_at_the_start(record, add_player):
    add_player()
    old = time.time() - 7200
    stray = [record.files.lesson_folder("0" * 32), record.files.derived("0" * 64)]
    for folder in stray:
        (folder / "still.jpg").write_bytes(b"left behind")
        os.utime(folder, (old, old))
    kept = [path for path in record.files.folder.glob("lessons/*") if path not in stray]
    for folder in kept:
        os.utime(folder, (old, old))
    take_up_work(record)
    assert not any(folder.exists() for folder in stray)
    assert kept
    assert all(folder.exists() for folder in kept)
