"""The process that `kills.py` kills: prepares, works, and checks what is left afterwards.

It loads its libraries once and forks for each piece of work that a line on its input asks for.
"""

from __future__ import annotations

import importlib.util
import json
import os
import sys
import traceback
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from sqlalchemy import create_engine, func, select

from kills_record import add_first_revision, brought_over, counts, fill, give_accounts
from lessonmark.lessons import migrations
from lessonmark.lessons.arrivals import Arrival, bring_in
from lessonmark.lessons.backup import check_record
from lessonmark.lessons.erasure import erase_player
from lessonmark.lessons.privacy import export_player, import_player
from lessonmark.lessons.record import Clip, ClipState, Erasure, Player, Swing
from lessonmark.lessons.store import DATABASE_NAME, open_record, take_up_work
from lessonmark.lessons.work import Workshop

CLIPS = 4
PLAYERS = 600  # for the migration, so that it takes a while
STARTED = datetime(2026, 5, 4, 9, tzinfo=UTC)


@cache
def stand_in():
    """Load the tests' stand-in for the network."""
    path = Path(__file__).parents[1] / "tests" / "web" / "conftest.py"
    spec = importlib.util.spec_from_file_location("web_stand_in", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def add_player(record, folder: Path, name: str, first: int) -> int:
    """Bring a player in with clips that no other player has."""
    tests = stand_in()
    with record.writing() as session:
        player = Player(name=name, search=name.lower(), stature_cm=170.0)
        session.add(player)
        session.flush()
        arrivals = []
        for n in range(CLIPS):
            path = tests.write_numbered_clip(folder / "one.mp4", frames=24, tint=first + 20 * n)
            with path.open("rb") as file:
                kept = record.files.keep_stream(file, ".mp4")
            path.unlink()
            arrivals.append(
                Arrival(kept=kept, name=f"IMG_{n}.MP4", filmed_at=STARTED + timedelta(minutes=n))
            )
        arrived = bring_in(session, player.id, arrivals, now=STARTED)
        assert all(one.new for one in arrived)
        return player.id


def workshop(record) -> Workshop:
    """The background work with the stand-in."""
    return Workshop(record, stand_in().InventedAnalyser())


def whole(record) -> tuple[int, int, int]:
    """Count clips, those measured, and swings."""
    with record.reading() as session:
        return (
            session.scalar(select(func.count()).select_from(Clip)) or 0,
            session.scalar(select(func.count()).where(Clip.state == ClipState.DONE)) or 0,
            session.scalar(select(func.count()).select_from(Swing)) or 0,
        )


def begun() -> None:
    """Tell the parent that the work starts."""
    print(f"begun {os.getpid()}", flush=True)


# -- import -------------------------------------------------------------------------------------


def prepare_import(folder: Path) -> None:
    """A zip to take in, beside an empty record."""
    other = open_record(folder / "other")
    player = add_player(other, folder, "Wilma Testerly", 0)
    workshop(other).work_through()
    fill(other, player)
    workshop(other).work_through()
    export_player(other, player, folder / "player.zip")
    other.close()
    open_record(folder / "record").close()


def do_import(folder: Path) -> None:
    """Take the zip in."""
    record = open_record(folder / "record")
    begun()
    import_player(record, folder / "player.zip")


def check_import(folder: Path) -> str:
    """All of the player in every table, or nothing; then all, and every file of the lesson."""
    record, other = open_record(folder / "record"), open_record(folder / "other")
    wanted = counts(other)
    problems = check_record(folder / "record")
    if problems or counts(record) not in (dict.fromkeys(wanted, 0), wanted):
        return f"after the kill: {problems} {counts(record)}"
    import_player(record, folder / "player.zip")
    problems = check_record(folder / "record")
    if problems or counts(record) != wanted:
        return f"after the import: {problems} {counts(record)}"
    sent, here = lesson_files(folder / "other"), lesson_files(folder / "record")
    return "sound" if sent == here else f"files: {set(sent) ^ set(here)}"


def lesson_files(folder: Path) -> dict[str, bytes]:
    """Read a record's sounds, packs and pictures, by their places in it."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in (folder / "lessons").rglob("*")
        if path.is_file() and "derived" not in path.parts
    }


# -- analysis -----------------------------------------------------------------------------------


def prepare_analysis(folder: Path) -> None:
    """Clips that wait."""
    folder.mkdir()
    record = open_record(folder / "record")
    add_player(record, folder, "Wilma Testerly", 0)
    record.close()


def do_analysis(folder: Path) -> None:
    """Measure them."""
    record = open_record(folder / "record")
    take_up_work(record)
    work = workshop(record)
    begun()
    work.work_through()


def check_analysis(folder: Path) -> str:
    """No clip is lost, none is measured twice; the work goes on to its end."""
    record = open_record(folder / "record")
    clips, done, swings = whole(record)
    problems = check_record(folder / "record")
    if problems or clips != CLIPS or done != swings:
        return f"after the kill: {problems} {clips} {done} {swings}"
    take_up_work(record)
    finished = workshop(record).work_through()
    problems = check_record(folder / "record")
    if problems or whole(record) != (CLIPS,) * 3 or finished != CLIPS - done:
        return f"after the work: {problems} {whole(record)} {finished}"
    return "sound"


# -- migration ----------------------------------------------------------------------------------


def prepare_migration(folder: Path) -> None:
    """A record of the first revision with many players and their lessons."""
    (folder / "record").mkdir(parents=True)
    engine = create_engine(f"sqlite:///{folder / 'record' / DATABASE_NAME}")
    with engine.begin() as connection:
        migrations.upgrade(connection, "0001")
        add_first_revision(connection, PLAYERS)
    engine.dispose()


def do_migration(folder: Path) -> None:
    """Bring it up to date."""
    begun()
    open_record(folder / "record")


def check_migration(folder: Path) -> str:
    """It opens, is of the newest revision, and every row is there and filled."""
    record = open_record(folder / "record")
    problems = check_record(folder / "record")
    with record.engine.connect() as connection:
        now = migrations.revision(connection)
    filled = brought_over(record)
    good = not problems and now == migrations.newest() and set(filled) == {PLAYERS}
    return "sound" if good else f"{problems} {now} {filled}"


# -- erasure ------------------------------------------------------------------------------------


def prepare_erasure(folder: Path) -> None:
    """Two players, measured, with something in every table."""
    folder.mkdir()
    record = open_record(folder / "record")
    for first, name in enumerate(("Wilma Testerly", "Somebody Else")):
        add_player(record, folder, name, 100 * first)
    workshop(record).work_through()
    for player_id in (1, 2):
        fill(record, player_id)
        give_accounts(record, player_id)
    workshop(record).work_through()
    (folder / "before.json").write_text(json.dumps(counts(record)))
    record.close()


def do_erasure(folder: Path) -> None:
    """Erase the first."""
    record = open_record(folder / "record")
    begun()
    erase_player(record, 1)


def check_erasure(folder: Path) -> str:
    """Opened again, she is whole or wholly gone in every table; the other is untouched."""
    before = json.loads((folder / "before.json").read_text())
    record = open_record(folder / "record")
    problems = check_record(folder / "record")
    with record.reading() as session:
        names = set(session.scalars(select(Player.name)))
        unfinished = session.scalar(
            select(func.count()).select_from(Erasure).where(Erasure.finished_at.is_(None))
        )
    rows, both = counts(record), names == {"Wilma Testerly", "Somebody Else"}
    half = {table: n // 2 for table, n in before.items()}
    whole_or_gone = (both and rows == before) or (names == {"Somebody Else"} and rows == half)
    if problems or unfinished or not whole_or_gone:
        return f"after the kill: {problems} {unfinished} {names} {rows}"
    if both:
        erase_player(record, 1)
    hers, others = counts(record, player_id=1), counts(record, player_id=2)
    if counts(record) != half or any(hers.values()) or not all(others.values()):
        return f"after the erasure: {counts(record)} {hers} {others}"
    record.close()
    left = [
        path.name
        for path in (folder / "record").rglob("*")
        if path.is_file() and b"Wilma" in path.read_bytes()
    ]
    kept = len(list(record.files.kept()))
    return "sound" if not left and kept == CLIPS else f"left: {left} {kept}"


def obey(line: str) -> None:
    """Do one piece of work in a process of its own and say how it ended."""
    work, _, where = line.strip().partition(" ")
    name = work.replace("-", "_")
    name = name if name.startswith(("prepare_", "check_")) else f"do_{name}"
    child = os.fork()
    if child == 0:
        code = 1
        try:
            print(f"said {globals()[name](Path(where)) or 'done'}", flush=True)
            code = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    print(f"ended {os.waitstatus_to_exitcode(status)}", flush=True)


if __name__ == "__main__":
    stand_in()
    print("ready", flush=True)
    for asked in sys.stdin:
        obey(asked)
