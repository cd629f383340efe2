"""Kill -9 a sealing or unsealing at random moments, thirty times, and see that nothing is lost.

python bench/seal_kills.py
"""

from __future__ import annotations

import hashlib
import io
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from sqlalchemy import select

from lessonmark.lessons.backup import check_record
from lessonmark.lessons.record import Media, Player
from lessonmark.lessons.sealed_keys import (
    KEY_FILE,
    MARKER,
    RECOVERY_FILE,
    RecordKeys,
    make_keys,
    write_keys,
)
from lessonmark.lessons.sealing import seal_record, unseal_record
from lessonmark.lessons.store import Record, open_record

PASSPHRASE = "seven quiet putters under a bridge"
PLAYERS, CLIPS, CLIP_BYTES = 3000, 40, 4_000_000
KILLS, LATEST_S = 30, 1.2  # after the first file; a whole run takes a few seconds
RUN = Path(__file__).parents[1] / "tests" / "lessons" / "seal_child.py"


def fill(folder: Path, draw: random.Random) -> None:
    """Make a record of some size."""
    record = open_record(folder)
    with record.writing() as session:
        for n in range(PLAYERS):
            session.add(Player(name=f"Player {n}", search=f"player {n}", note="x" * 500))
        for _ in range(CLIPS):
            kept = record.files.keep_stream(io.BytesIO(draw.randbytes(CLIP_BYTES)), ".mp4")
            session.add(Media(sha256=kept.sha256, size_bytes=kept.size_bytes, suffix=kept.suffix))
    record.close()


def held(record: Record) -> tuple[object, ...]:
    """Say what a record holds."""
    with record.reading() as session:
        rows = session.execute(select(Player.id, Player.name, Player.note)).all()
    hashes = sorted(record.files.kept())
    clips = [hashlib.sha256(record.files.load(one).read_bytes()).hexdigest() for one in hashes]
    assert clips == hashes
    return sorted(rows), hashes


def check(folder: Path, keys: RecordKeys | None, wanted: tuple[object, ...]) -> None:
    """Open a record and see that it is whole."""
    record = open_record(folder, keys=keys)
    assert held(record) == wanted
    record.close()
    assert check_record(folder) == []


def main() -> None:
    """Print how many runs were killed, and stop at the first loss."""
    draw = random.Random(5)
    os.environ["LESSONMARK_PASSPHRASE"] = PASSPHRASE
    with tempfile.TemporaryDirectory() as scratch:
        folder, made_in, keys = Path(scratch) / "data", Path(scratch), make_keys()
        fill(folder, draw)
        write_keys(made_in, keys, PASSPHRASE)
        record = open_record(folder)
        wanted = held(record)
        record.close()
        way, killed, finished = "seal", {"seal": 0, "unseal": 0}, {"seal": 0, "unseal": 0}

        def begin() -> None:
            for name in (KEY_FILE, RECOVERY_FILE):
                shutil.copyfile(made_in / name, folder / name)
            (folder / MARKER).write_bytes(b"as begin_sealing does")

        begin()
        for _ in range(KILLS):
            running = subprocess.Popen(
                [sys.executable, RUN, folder, way, keys.identity, keys.database],
                stdout=subprocess.PIPE,
                text=True,
            )
            running.stdout.readline()
            time.sleep(draw.uniform(0, LATEST_S))
            running.kill()
            running.communicate()
            if (folder / MARKER).exists():
                killed[way] += 1
                continue
            finished[way] += 1
            check(folder, keys if way == "seal" else None, wanted)
            way = "unseal" if way == "seal" else "seal"
            if way == "seal":
                begin()
        if way == "seal":
            seal_record(folder, keys)
        else:
            unseal_record(folder, lambda: PASSPHRASE)
        check(folder, keys if way == "seal" else None, wanted)
        print("| work | killed in the middle | was done already | lost |")
        print("| --- | --- | --- | --- |")
        for name in killed:
            print(f"| {name} | {killed[name]} | {finished[name]} | 0 |")


if __name__ == "__main__":
    main()
