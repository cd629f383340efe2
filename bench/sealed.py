"""What a sealed record costs: sealing it, opening it, a page, and a step of one frame.

    python bench/sealed.py

A lesson of six invented clips (1080 x 1920, 240 frames a second) measured by the tests' stand-in
for the network, and a gigabyte of random clips beside it, in clear first and sealed then.
"""

from __future__ import annotations

import io
import random
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import httpx

from lessonmark.lessons.sealed_keys import RecordKeys, unlock
from lessonmark.lessons.sealing import begin_sealing, seal_record, unseal_record
from lessonmark.lessons.store import open_record
from lessonmark.web.app import create_app
from lessonmark.web.settings import WebSettings
from web import machine, stand_in

PASSPHRASE = "seven quiet putters under a bridge"
CLIPS, FRAMES = 6, 480
RANDOM_CLIPS, RANDOM_BYTES = 30, 35_000_000  # about a phone's 4 s at 240 frames a second
PAGES, STEPS = 40, 200
TIMES = ("first", "then", "processor")


def prepare(folder: Path, tests) -> None:
    """Bring a lesson in and measure it, and put further clips beside it."""
    record, analyser = open_record(folder), tests.InventedAnalyser()
    app = create_app(record, analyser, WebSettings(), work=False)
    with tests.serving(app) as address:
        coach = tests.Coach(app, address)
        player = coach.add_player()
        for n in range(CLIPS):
            clip = tests.write_numbered_clip(
                folder.parent / f"{n}.mp4", frames=FRAMES, width=1080, height=1920, fps=240, tint=n
            )
            analyser.bends[f"IMG_{n}"] = 6.0 if n < CLIPS // 2 else 26.0
            minutes = n + (20 if n >= CLIPS // 2 else 0)
            coach.send_clip(
                player,
                clip.read_bytes(),
                f"IMG_{n}.MP4",
                modified_ms=1_777_888_800_000 + 60_000 * minutes,
            )
        coach.work()
        focus = {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]}
        coach.post("/lessons/1/focus", focus)
        coach.work()
        coach.client.close()
    draw = random.Random(3)
    for _ in range(RANDOM_CLIPS):
        record.files.keep_stream(io.BytesIO(draw.randbytes(RANDOM_BYTES)), ".mp4")
    record.close()


Cost = tuple[float, float, float]  # first answer, median of the next, processor of the next; ms


def look(folder: Path, keys: RecordKeys | None, tests) -> dict[str, Cost]:
    """Ask for pages and frames."""
    record = open_record(folder, keys=keys)
    app = create_app(record, tests.InventedAnalyser(), WebSettings(), work=False)
    found: dict[str, Cost] = {}
    with tests.serving(app) as address, httpx.Client(base_url=address, timeout=60) as client:
        client.get("/import")  # templates and catalogues, which any page needs once

        def get(path: str, **headers: str) -> float:
            start = time.perf_counter()
            answer = client.get(path, headers=headers)
            assert answer.status_code in (200, 206), (path, answer.status_code)
            return 1000 * (time.perf_counter() - start)

        def ask(name: str, times: int, one: Callable[[int], float]) -> None:
            first = one(0)
            worked = time.process_time()
            then = statistics.median(one(n) for n in range(1, times))
            worked = 1000 * (time.process_time() - worked) / (times - 1)
            found[name] = first, then, worked

        ask("player", PAGES, lambda n: get("/players/1"))
        ask("sheet", PAGES, lambda n: get("/lessons/1"))
        ask("picture of the sheet", PAGES, lambda n: get("/lessons/1/pictures/0"))
        ask("lines of a swing", PAGES, lambda n: get("/swings/1/look.json"))
        ask("index of the frames", PAGES, lambda n: get("/clips/1/frames.json"))
        offsets = client.get("/clips/1/frames.json").json()["offsets"]

        def step(n: int) -> float:
            at = n % (len(offsets) - 1)
            return get("/clips/1/frames", range=f"bytes={offsets[at]}-{offsets[at + 1] - 1}")

        ask("step of one frame", STEPS, step)
    record.close()
    return found


def main() -> None:
    """Print the figures."""
    tests = stand_in()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "data"
        prepare(folder, tests)
        look(folder, None, tests)  # what a process loads once
        clear = look(folder, None, tests)
        print(machine())
        keys = begin_sealing(folder, PASSPHRASE)
        start = time.perf_counter()
        done = seal_record(folder, keys)
        took = time.perf_counter() - start
        mb = done.size_bytes / 1e6
        print(f"sealed, each file read back: {mb:.0f} MB, {done.files} files, {mb / took:.0f} MB/s")
        start = time.perf_counter()
        assert unlock(folder, PASSPHRASE) == keys
        print(f"the passphrase opens the keys in {time.perf_counter() - start:.1f} s")
        sealed = look(folder, keys, tests)
        head = [f"{kind}: {what}" for kind in ("open", "sealed") for what in TIMES]
        print(f"| asked for, ms | {' | '.join(head)} |")
        print("| --- |" + " --- |" * len(head))
        for name, cost in clear.items():
            figures = [f"{one:.0f}" for one in (*cost, *sealed[name])]
            print(f"| {name} | {' | '.join(figures)} |")
        start = time.perf_counter()
        unseal_record(folder, lambda: PASSPHRASE)
        print(
            f"unsealed, read back too: {mb / (time.perf_counter() - start):.0f} MB/s; {machine()}"
        )


if __name__ == "__main__":
    main()
