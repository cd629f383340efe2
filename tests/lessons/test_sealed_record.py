"""A sealed record: nothing of it can be read on the disk, and nothing is lost by sealing it."""

import io
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from sqlalchemy import func, select

from lessonmark.drills.library import find_drill
from lessonmark.errors import RecordError
from lessonmark.lessons import (
    erasure,
    erasure_proof,
    migrations,
    passphrase,
    sealed_files,
    working_folder,
)
from lessonmark.lessons.age_files import SEALED, AgeFiles
from lessonmark.lessons.backup import back_up, check_record, restore
from lessonmark.lessons.coach_library import coach_library
from lessonmark.lessons.erasure import erase_player
from lessonmark.lessons.erasure_proof import find_traces
from lessonmark.lessons.player_data import player_data
from lessonmark.lessons.record import Base, Clip, Player
from lessonmark.lessons.sealed_database import is_plain, make_engine
from lessonmark.lessons.sealed_files import SealedFiles
from lessonmark.lessons.sealed_keys import (
    KEY_FILE,
    MARKER,
    make_keys,
    recover,
    unlock,
    write_keys,
)
from lessonmark.lessons.sealing import begin_sealing, seal_record, unseal_record
from lessonmark.lessons.store import DATABASE_NAME, open_record
from lessonmark.lessons.working_folder import WorkingFolder

SEAL_CHILD = Path(__file__).with_name("seal_child.py")
NAME = "Wilma Testerly"
CLIP = b"\x01" * 64  # as `add_player` fills the second clip
SHEET = b"<p>sheet of"
SECRETS = (NAME.encode(), b"private words about", b"sore lower back", CLIP, SHEET, b"a track")


def disk(folder):
    """Every byte of every file of the record's folder, names included."""
    return b"".join(
        str(path).encode() + (path.read_bytes() if path.is_file() else b"")
        for path in sorted(folder.rglob("*"))
    )


def told(folder):
    return [secret for secret in SECRETS if secret in disk(folder)]


def everything(record, player_id):
    """What the record holds, as a player's export would have it, and every file's bytes."""
    with record.reading() as session:
        data = player_data(session.get_one(Player, player_id)).model_dump_json()
        hashes = session.scalars(select(Clip.sha256).order_by(Clip.sha256)).all()
        uids = [lesson.uid for lesson in session.get_one(Player, player_id).lessons]
    folders = [record.files.derived(one) for one in hashes]
    folders += [record.files.lesson_folder(uid) for uid in uids]
    return (
        data,
        {one: record.files.load(one).read_bytes() for one in hashes},
        {
            str(path.relative_to(folder)): path.read_bytes()
            for folder in folders
            for path in folder.rglob("*")
            if path.is_file()
        },
    )


@pytest.fixture
def sealed(record, add_player, sealer):
    """A folder with a player, sealed from what was in clear, and what it held then."""
    player_id = add_player(lessons=2)
    held, folder = everything(record, player_id), record.files.folder
    record.close()
    assert len(told(folder)) == len(SECRETS)  # the search would have found them
    sealer.seal(folder)
    return folder, player_id, held


def test_no_byte_on_the_disk_tells_anything(sealed):
    folder, _, _ = sealed
    assert told(folder) == []
    assert not is_plain(folder / DATABASE_NAME)
    files = [path for path in folder.rglob("*") if path.is_file() and path.name != DATABASE_NAME]
    assert len(files) == 4 + 4 + 2 + 2  # clips, tracks, sheets, keys
    # Header by the age specification (age-encryption.org/v1): version line, then a stanza.
    for path in files:
        first, stanza = path.read_bytes().split(b"\n")[:2]
        assert first == b"age-encryption.org/v1"
        assert stanza.startswith(b"-> scrypt " if path.name == KEY_FILE else b"-> X25519 ")


def test_sealing_and_unsealing_change_nothing(sealed, sealer):
    folder, player_id, held = sealed
    record = sealer.open(folder)
    assert everything(record, player_id) == held
    record.close()
    unseal_record(folder, lambda: sealer.passphrase)
    assert is_plain(folder / DATABASE_NAME)
    assert not list(folder.rglob(f"*{SEALED}"))
    record = open_record(folder)
    assert everything(record, player_id) == held
    record.close()
    assert check_record(folder) == []


def test_what_is_open_lies_in_memory_and_goes_at_the_end(sealed, sealer):
    folder, player_id, _ = sealed
    record = sealer.open(folder)
    everything(record, player_id)
    working = record.files.working
    assert CLIP in disk(working)
    assert working.stat().st_mode & 0o777 == 0o700
    assert not working.is_relative_to(folder)
    if Path("/dev/shm").is_dir():
        assert working.parent == Path("/dev/shm")
        assert record.files.in_memory
    assert told(folder) == []
    record.close()
    assert not working.exists()


def test_what_comes_in_is_never_in_clear_on_the_disk(tmp_path, sealer):
    sealer.seal(tmp_path / "data")
    record = sealer.open(tmp_path / "data")
    folder = record.files.folder
    with record.files.receiving() as incoming:
        incoming.write(CLIP * 100)
        incoming.done()
        assert CLIP not in disk(folder)
        kept = record.files.keep(incoming, ".mp4")
    with record.writing() as session:
        session.add(Player(name=NAME, search="wilma"))
    made = record.files.derived(kept.sha256)
    (made / "clip.json").write_bytes(CLIP)
    record.files.publish_derived(kept.sha256)
    # The log beside the database, too: nothing is checkpointed here.
    assert (folder / f"{DATABASE_NAME}-wal").stat().st_size > 0
    assert CLIP not in disk(folder)
    assert NAME.encode() not in disk(folder)
    record.close()
    again = sealer.open(folder)
    assert again.files.load(kept.sha256).read_bytes() == CLIP * 100
    assert (again.files.derived(kept.sha256) / "clip.json").read_bytes() == CLIP
    again.close()


def test_an_altered_file_is_said_and_never_used(sealed, sealer):
    folder, _, _ = sealed
    path = next((folder / "files").rglob(f"*{SEALED}"))
    content = bytearray(path.read_bytes())
    content[-40] ^= 1
    path.write_bytes(content)
    record = sealer.open(folder)
    with pytest.raises(RecordError, match="altered or is of another record"):
        record.files.load(path.name.partition(".")[0])
    assert not list((record.files.working / "files").iterdir())
    record.close()
    assert [one for one in check_record(folder) if "was altered" in one]


def test_a_clip_in_another_ones_place_is_said_and_never_used(sealed, sealer):
    folder, _, _ = sealed
    one, other = sorted((folder / "files").rglob(f"*{SEALED}"))[:2]
    one.write_bytes(other.read_bytes())
    record = sealer.open(folder)
    with pytest.raises(RecordError, match="altered or is of another record"):
        record.files.load(one.name.partition(".")[0])
    assert not list((record.files.working / "files").iterdir())
    record.close()


def test_an_altered_page_of_the_database_is_said(sealed, sealer):
    folder, _, _ = sealed
    content = bytearray((folder / DATABASE_NAME).read_bytes())
    content[3 * 4096 + 100] ^= 1
    (folder / DATABASE_NAME).write_bytes(content)
    assert any("database's own check" in one for one in check_record(folder))


def test_a_wrong_passphrase_is_said_in_words(sealed, sealer, monkeypatch):
    folder, _, _ = sealed
    before = disk(folder)
    monkeypatch.setenv("LESSONMARK_PASSPHRASE", "not these words at all")
    with pytest.raises(RecordError, match=r"does not open the record.*lessonmark passphrase"):
        open_record(folder)
    assert disk(folder) == before


def test_a_missing_passphrase_is_said_in_words(sealed, monkeypatch):
    folder, _, _ = sealed
    monkeypatch.delenv("LESSONMARK_PASSPHRASE")
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    with pytest.raises(RecordError, match=r"nobody is there.*LESSONMARK_PASSPHRASE_FILE"):
        open_record(folder)


def test_a_passphrase_in_a_file_opens_it(sealed, sealer, tmp_path, monkeypatch):
    folder, _, _ = sealed
    (tmp_path / "words").write_text(f"{sealer.passphrase}\n")
    monkeypatch.delenv("LESSONMARK_PASSPHRASE")
    monkeypatch.setenv("LESSONMARK_PASSPHRASE_FILE", str(tmp_path / "words"))
    open_record(folder).close()


def test_a_terminal_may_try_three_times(sealed, sealer, monkeypatch):
    folder, _, _ = sealed
    monkeypatch.delenv("LESSONMARK_PASSPHRASE")
    typed = iter(["wrong", "wrong again", sealer.passphrase])
    monkeypatch.setattr(passphrase, "type_passphrase", lambda prompt: next(typed))
    open_record(folder).close()
    assert list(typed) == []


def test_the_recovery_key_sets_a_new_passphrase(sealed, sealer):
    folder, _, _ = sealed
    keys = recover(folder, f" {sealer.keys.identity.lower()}\n")
    assert keys == sealer.keys
    write_keys(folder, keys, "other words that are long enough")
    with pytest.raises(RecordError, match="does not open"):
        unlock(folder, sealer.passphrase)
    assert unlock(folder, "other words that are long enough") == sealer.keys
    with pytest.raises(RecordError, match="not the recovery key"):
        recover(folder, make_keys().identity)
    with pytest.raises(RecordError, match="not the recovery key"):
        recover(folder, "AGE-SECRET-KEY-1NONSENSE")


def test_a_short_passphrase_is_refused(record, sealer):
    record.close()
    with pytest.raises(RecordError, match="15 characters"):
        begin_sealing(record.files.folder, "short")
    open_record(record.files.folder).close()  # and nothing was begun


@pytest.mark.parametrize("name", ["LESSONMARK_DATABASE", "LESSONMARK_STORE"])
def test_a_server_is_refused_with_what_to_use_instead(sealed, tmp_path, monkeypatch, name):
    folder, _, _ = sealed
    monkeypatch.setenv(name, "file:///nowhere")
    with pytest.raises(RecordError, match="disks and the store encrypt"):
        begin_sealing(tmp_path / "other", "long enough for anybody")
    with pytest.raises(RecordError, match="is set besides"):
        open_record(folder)


def test_sealing_waits_for_nobody(record, add_player, sealer):
    add_player()
    folder = record.files.folder
    code = (
        "import sys; from pathlib import Path; from lessonmark.lessons.sealing import seal_record;"
        "from lessonmark.lessons.sealed_keys import make_keys;"
        "seal_record(Path(sys.argv[1]), make_keys())"
    )
    # Another process, as another window is one.
    done = subprocess.run([sys.executable, "-c", code, folder], capture_output=True, text=True)
    assert "another window of the program has this record open" in done.stderr
    assert is_plain(folder / DATABASE_NAME)
    assert not list(folder.rglob(f"*{SEALED}"))


@pytest.mark.parametrize("way", ["seal", "unseal"])
def test_killed_in_the_middle_nothing_is_lost(record, add_player, sealer, way):
    player_id = add_player(lessons=3, clips=4)
    held, folder = everything(record, player_id), record.files.folder
    record.close()
    for name in (KEY_FILE, "record.recovery.age"):
        (folder / name).write_bytes((sealer.made_in / name).read_bytes())
    (folder / MARKER).write_bytes(b"as begin_sealing does")
    if way == "unseal":
        seal_record(folder, sealer.keys)
    keys = (sealer.keys.identity, sealer.keys.database)
    killed = 0
    for after in (1, 2, 4, 5, 6, 7, 9):  # of 27 files, told before each and once at the end
        running = subprocess.Popen(
            [sys.executable, SEAL_CHILD, folder, way, *keys],
            stdout=subprocess.PIPE,
            text=True,
        )
        for _ in range(after):
            if not running.stdout.readline():
                break
        running.send_signal(signal.SIGKILL)
        running.wait()
        running.stdout.close()
        killed += (folder / MARKER).exists()
        if (folder / MARKER).exists():
            with pytest.raises(RecordError, match=r"cut short.*lessonmark seal.*nothing is lost"):
                open_record(folder)
    assert killed >= 4  # the machine may be quick at the end
    if way == "seal":
        seal_record(folder, sealer.keys)
        assert told(folder) == []
    elif (folder / MARKER).exists():
        unseal_record(folder, lambda: sealer.passphrase)
    again = sealer.open(folder) if way == "seal" else open_record(folder)
    assert everything(again, player_id) == held
    again.close()
    assert check_record(folder) == []


def test_a_sealing_cut_short_can_be_taken_back(record, add_player, sealer):
    player_id = add_player()
    held, folder = everything(record, player_id), record.files.folder
    record.close()
    keys = begin_sealing(folder, sealer.passphrase)

    def stop(share, doing):
        if share > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        seal_record(folder, keys, stop)
    assert list(folder.rglob(f"*{SEALED}"))
    unseal_record(folder, lambda: sealer.passphrase)
    again = open_record(folder)
    assert everything(again, player_id) == held
    again.close()


def test_what_a_killed_program_left_open_is_wiped(sealed, sealer):
    folder, _, _ = sealed
    code = (
        "import sys; from pathlib import Path; from lessonmark.lessons.store import open_record;"
        "record = open_record(Path(sys.argv[1]));"
        "[record.files.load(one) for one in record.files.kept()];"
        "print(record.files.working, flush=True); sys.stdin.read()"
    )
    running = subprocess.Popen(
        [sys.executable, "-c", code, folder],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "LESSONMARK_PASSPHRASE": sealer.passphrase},
    )
    left = Path(running.stdout.readline().strip())
    beside = sealer.open(folder)
    assert CLIP in disk(left)  # a program that lives keeps what it has open
    beside.close()
    running.kill()
    running.communicate()
    assert CLIP in disk(left)
    sealer.open(folder).close()
    assert not left.exists()


def test_without_a_folder_in_memory_it_is_said(sealed, sealer, tmp_path, monkeypatch):
    folder, _, _ = sealed
    monkeypatch.setenv("LESSONMARK_WORKING", str(tmp_path / "working"))
    record = sealer.open(folder)
    assert not record.files.in_memory
    assert record.files.working.parent == tmp_path / "working"
    record.close()
    assert list((tmp_path / "working").iterdir()) == []


def test_working_copies_make_room_and_come_back(tmp_path, sealer, monkeypatch):
    monkeypatch.setattr(sealed_files, "IDLE_S", 0.0)
    folder = tmp_path / "data"
    sealer.seal(folder)
    sealer.open(folder).close()
    files = SealedFiles(folder, sealer.keys, limit_bytes=25_000)
    kept = [files.keep_stream(io.BytesIO(bytes([n]) * 10_000), ".mp4").sha256 for n in range(5)]

    def here():
        return {path.stem for path in (files.working / "files").iterdir()}

    assert here() == set(kept[3:])
    assert files.load(kept[0]).read_bytes() == b"\0" * 10_000
    assert here() == {kept[4], kept[0]}
    with files.holding(media=kept[:3]):
        for one in kept[:3]:
            files.load(one)
        files.load(kept[4])
        assert set(kept[:3]) <= here()  # held: over the limit rather than gone under the work
    # What was made and not sealed yet is never removed to make room.
    made = files.derived(kept[1])
    (made / "clip.nc").write_bytes(b"t" * 10_000)
    for one in kept:
        files.load(one)
    assert (made / "clip.nc").exists()
    files.publish_derived(kept[1])
    for one in kept:
        files.load(one)
    assert not (made / "clip.nc").exists()
    assert (files.derived(kept[1]) / "clip.nc").read_bytes() == b"t" * 10_000
    files.close()


def test_a_removed_file_does_not_come_back(tmp_path, sealer):
    folder, uid = tmp_path / "data", "a" * 32
    sealer.seal(folder)
    record = sealer.open(folder)
    place = record.files.lesson_folder(uid)
    (place / "one.txt").write_bytes(b"one")
    (place / "two.txt").write_bytes(b"two")
    record.files.publish_lesson(uid)
    record.files.withdraw(place / "one.txt")
    assert [path.name for path in record.files.lesson_folder(uid).iterdir()] == ["two.txt"]
    # Removed here to be written anew: not opened again under the hands of who writes.
    (place / "two.txt").unlink()
    assert list(record.files.lesson_folder(uid).iterdir()) == []
    # Another window sees what was sealed anew.
    other = sealer.open(folder)
    assert (other.files.lesson_folder(uid) / "two.txt").read_bytes() == b"two"
    (place / "two.txt").write_bytes(b"two, changed")
    record.files.publish_lesson(uid)
    assert (other.files.lesson_folder(uid) / "two.txt").read_bytes() == b"two, changed"
    other.close()
    record.close()


def test_an_erasure_leaves_nothing_and_its_proof_can_fail(sealed, sealer, monkeypatch):
    folder, player_id, _ = sealed
    record = sealer.open(folder)
    before = set(pages(folder))
    everything(record, player_id)
    # The rows are searched through the key, as the pages of the file tell nothing.
    traces = find_traces(record, ["sore lower back"], media=[], lessons=[])
    assert traces == []  # still a player's, who is not erased
    with monkeypatch.context() as patched:
        patched.setattr(erasure, "AGAIN_AFTER_S", 0.01)
        patched.setattr(erasure_proof, "_said_of_another", lambda record, trace: False)
        assert [
            one.partition(":")[0]
            for one in find_traces(record, ["sore lower back"], media=[], lessons=[])
        ] == ["injury_note.words"]
        patched.setattr(SealedFiles, "remove_lesson", lambda self, uid: 0)
        report = erase_player(record, player_id)
        assert len(report.left) == 4  # two lessons, sealed and in clear
    record.close()
    record = sealer.open(folder)  # goes on erasing by itself
    assert list((folder / "lessons").iterdir()) == []
    with record.reading() as session:
        assert session.scalar(select(func.count()).select_from(Player)) == 0
    record.close()
    # No page of the database is as it was: each was encrypted anew when it was rebuilt.
    assert not before & set(pages(folder))


def pages(folder):
    content = (folder / DATABASE_NAME).read_bytes()
    return [content[at : at + 4096] for at in range(0, len(content), 4096)]


def test_a_backup_stays_sealed_and_comes_back(sealed, sealer, tmp_path, write_drill):
    folder, player_id, held = sealed
    write_drill(folder / "drills" / "wait.toml", id="wait", cue="Wait a beat.")
    record = sealer.open(folder)
    path = back_up(record, tmp_path / "backup.zip")
    record.close()
    assert [secret for secret in SECRETS if secret in path.read_bytes()] == []
    restore(path, tmp_path / "again")
    assert check_record(tmp_path / "again") == []
    again = sealer.open(tmp_path / "again")
    data, clips, _ = everything(again, player_id)
    assert (data, clips) == held[:2]
    again.close()
    assert find_drill(coach_library(tmp_path / "again"), "wait").cue == "Wait a beat."


def test_every_table_is_the_same_in_a_sealed_database(sealed, sealer, tmp_path):
    folder, _, _ = sealed
    record = sealer.open(folder)
    fresh = open_record(tmp_path / "fresh")
    with record.reading() as sealed_session, fresh.reading() as plain_session:
        schema = "SELECT name, sql FROM sqlite_master ORDER BY name"
        there = sealed_session.connection().exec_driver_sql(schema).all()
        assert there == plain_session.connection().exec_driver_sql(schema).all()
        for table in Base.metadata.sorted_tables:
            sealed_session.execute(select(table)).all()
    fresh.close()
    record.close()


def test_an_older_sealed_record_is_brought_up_to_date(tmp_path, sealer):
    folder = tmp_path / "older"
    folder.mkdir()
    engine = make_engine(folder / DATABASE_NAME, sealer.keys.database)
    with engine.begin() as connection:
        migrations.upgrade(connection, "0001")
        connection.exec_driver_sql(
            "INSERT INTO player (uid, name, handedness, note, consent_by, guardian, created_at)"
            " VALUES ('a', 'Ödön Fürge', 'left', '', '', '', '2026-01-01 00:00:00')"
        )
    engine.dispose()
    assert not is_plain(folder / DATABASE_NAME)
    for name in (KEY_FILE, "record.recovery.age"):
        (folder / name).write_bytes((sealer.made_in / name).read_bytes())
    record = open_record(folder)
    with record.reading() as session:
        assert migrations.revision(session.connection()) == migrations.newest()
        assert session.scalars(select(Player.search)).all() == ["odon furge"]
    record.close()


def test_the_lock_tells_who_lives(tmp_path, monkeypatch):
    monkeypatch.setenv("LESSONMARK_WORKING", str(tmp_path))
    living = WorkingFolder()
    code = (
        "import os, sys; from pathlib import Path;"
        "from lessonmark.lessons.working_folder import wipe_left;"
        "print(wipe_left(Path(sys.argv[1])))"
    )

    def wiped():
        run = [sys.executable, "-c", code, tmp_path]
        return int(subprocess.run(run, capture_output=True, text=True, check=True).stdout)

    (tmp_path / f"{working_folder.PREFIX}unlocked").mkdir()
    unborn = tmp_path / f"{working_folder.UNBORN}young"
    unborn.mkdir()
    assert wiped() == 1
    assert living.path.exists()
    assert unborn.exists()
    old = time.time() - 2 * working_folder.UNBORN_S
    os.utime(unborn, (old, old))
    assert wiped() == 1
    living.close()
    assert list(tmp_path.iterdir()) == []


def test_a_sealed_file_opens_by_the_record_key_alone(sealed, sealer, tmp_path):
    folder, _, _ = sealed
    path = next((folder / "files").rglob(f"*{SEALED}"))
    facts = AgeFiles(sealer.keys).read(path)
    assert facts.sha256 == path.name.partition(".")[0]
    with pytest.raises(RecordError, match="of another record"):
        AgeFiles(make_keys()).read(path)


def test_without_the_extra_it_is_said_what_to_install(sealed, sealer, monkeypatch):
    folder, _, _ = sealed
    monkeypatch.setitem(sys.modules, "pyrage", None)
    with pytest.raises(RecordError, match=r"not installed: pyrage.*extra 'sealed'"):
        open_record(folder)
