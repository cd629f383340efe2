"""Feed the readers what nobody would send by accident, guided by what code it reaches.

    make fuzz                             # every target, a minute each
    make fuzz ARGS="--seconds 600 lesson" # one target, longer

Targets: `clip` (the container reader), `lesson` (lesson.toml), `player` (a player's zip), `backup`
(a backup's zip), `rows` (the record's own JSON). A target may refuse with a `LessonmarkError`;
anything else that is raised, and anything that takes longer than 20 s, is a finding and is printed
with its input. Atheris is no part of the lock file (it is built for some platforms only): `pip
install atheris`. FFmpeg's own code is not instrumented: what is guided is our reading of it.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["lessonmark"]):
    from lessonmark.errors import LessonmarkError
    from lessonmark.lessons import privacy
    from lessonmark.lessons.backup import restore
    from lessonmark.lessons.findings import read_findings
    from lessonmark.lessons.lesson_file import LESSON_FILE, read_lesson_file
    from lessonmark.lessons.player_data import PlayerData
    from lessonmark.lessons.store import open_record
    from lessonmark.media.probe import probe_clip

from pydantic import ValidationError

DEMO = Path(__file__).parents[1] / "demo" / "lesson"
SCRATCH = Path(tempfile.mkdtemp(prefix="lessonmark-fuzz-"))
ONE_INPUT_S = 20


def clip(data: bytes) -> None:
    """The container reader: as MP4."""
    path = SCRATCH / "clip.mp4"
    path.write_bytes(data)
    probe_clip(path)


def lesson(data: bytes) -> None:
    """lesson.toml."""
    (SCRATCH / LESSON_FILE).write_bytes(data)
    read_lesson_file(SCRATCH)


def player(data: bytes) -> None:
    """A player's zip: as it comes, and with the bytes as its member's text."""
    path = SCRATCH / "player.zip"
    path.write_bytes(data if data[:1] != b"J" else _zip_of(data[1:]))
    privacy.import_player(_record(), path)


def backup(data: bytes) -> None:
    """A backup's zip."""
    path = SCRATCH / "backup.zip"
    path.write_bytes(data)
    restore(path, SCRATCH / "restored")


def rows(data: bytes) -> None:
    """The JSON of sheets and players: other programs may have written it."""
    path = SCRATCH / "sheet.json"
    path.write_bytes(data)
    for read in (lambda: read_findings(path), lambda: PlayerData.model_validate_json(data)):
        with contextlib.suppress(ValidationError):
            read()


TARGETS = {one.__name__: one for one in (clip, lesson, player, backup, rows)}


def seeds(target: str) -> list[bytes]:
    """Give whole inputs to start from."""
    if target == "clip":
        return [(DEMO / "before" / "face-on" / "clip_00.mp4").read_bytes()[:60_000]]
    if target == "lesson":
        return [(DEMO / LESSON_FILE).read_bytes()]
    text = json.dumps({"name": "x", "uid": "a" * 32, "lessons": [], "injuries": []}).encode()
    return [_zip_of(text), b"J" + text] if target in ("player", "backup") else [text]


def _zip_of(text: bytes) -> bytes:
    import hashlib

    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("player.json", text)
        hashes = {"player.json": hashlib.sha256(text).hexdigest()}
        about = {"format": privacy.FORMAT, "sha256": hashes}
        archive.writestr("manifest.json", json.dumps(about))
    return out.getvalue()


_open = []


def _record():
    if not _open:
        _open.append(open_record(SCRATCH / "record"))
    return _open[0]


def fuzz(target: str, seconds: int) -> None:
    """Fuzz one target in this process; ends it."""
    corpus = SCRATCH / "corpus"
    corpus.mkdir()
    for number, seed in enumerate(seeds(target)):
        (corpus / str(number)).write_bytes(seed)
    run = TARGETS[target]

    def one(data: bytes) -> None:
        try:
            run(data)
        except LessonmarkError:
            return

    options = [f"-max_total_time={seconds}", f"-timeout={ONE_INPUT_S}", "-max_len=65536"]
    options += ["-print_final_stats=1", "-rss_limit_mb=3000", f"-artifact_prefix={SCRATCH}/"]
    atheris.Setup([sys.argv[0], *options, str(corpus)], one)
    atheris.Fuzz()


def main() -> None:
    """Fuzz the targets, each in a process of its own."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("targets", nargs="*", choices=[*TARGETS, []], default=[])
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--here", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.here:
        fuzz(asked.here, asked.seconds)
        return
    print("| target | seconds | inputs | ended | finding |\n| --- | --- | --- | --- | --- |")
    for target in asked.targets or TARGETS:
        command = [sys.executable, __file__, "--here", target, "--seconds", str(asked.seconds)]
        ended = subprocess.run(command, capture_output=True, text=True, env=os.environ)
        said = [
            line
            for line in (ended.stdout + ended.stderr).splitlines()
            if not line.startswith("INFO:")
        ]
        runs = next((x.split()[-1] for x in said if "number_of_executed_units" in x), "?")
        finding = next((x for x in said if "Uncaught" in x or "ERROR: libFuzzer" in x), "none")
        print(
            f"| {target} | {asked.seconds} | {runs} | {ended.returncode} | {finding} |", flush=True
        )
        if ended.returncode:
            print("\n".join(said[-40:]), flush=True)


if __name__ == "__main__":
    main()
