"""How quick the pages are with 500 players and 20,000 swings, and a step of one frame.

    python bench/web.py pages     server time of list, search, player and sheet
    python bench/web.py frames    one step in the viewer, 1080 x 1920 at 240 frames a second

Tracks and numbers are invented by the tests' stand-in for the network, with every measure of the
catalogue, so that rows and pages have their true size; ten measured swings are copied to 20,000
rows with their numbers shifted. Nothing but the time is claimed from them.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import random
import shutil
import statistics
import tempfile
import time
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import httpx
from sqlalchemy import insert, select

from lessonmark.drills.library import read_library
from lessonmark.lessons.folding import fold
from lessonmark.lessons.record import (
    Clip,
    ClipState,
    DrillSet,
    Focus,
    Lesson,
    LessonFinding,
    Media,
    Player,
    Swing,
)
from lessonmark.lessons.store import open_record
from lessonmark.web.app import create_app
from lessonmark.web.settings import WebSettings
from lessonmark.words import Stage, View

PLAYERS, LESSONS, SWINGS = 500, 4, 10  # 20,000 swings
ASKED = 200  # requests a page
FIRST = ("Ada", "Bo", "Cleo", "Dag", "Edda", "Finn", "Gro", "Hal", "Ida", "Jon", "Kai", "Lea")
LAST = ("Alder", "Birke", "Cedar", "Dorn", "Esche", "Farn", "Ginster", "Heide", "Iris", "Klee")


def stand_in():
    """Load the tests' stand-in for the network."""
    path = Path(__file__).parents[1] / "tests" / "web" / "conftest.py"
    spec = importlib.util.spec_from_file_location("web_stand_in", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def measured_lesson(folder: Path):
    """Measure one lesson of ten clips with the whole catalogue; gives the record and its rows."""
    tests = stand_in()
    record, analyser = open_record(folder), tests.InventedAnalyser()
    analyser.only = None
    app = create_app(record, analyser, WebSettings(), work=False)
    with tests.serving(app) as address:
        coach = tests.Coach(app, address)
        player = coach.add_player("First Player")
        for n in range(SWINGS):
            analyser.bends[f"IMG_{n}"] = 6.0 if n < SWINGS // 2 else 26.0
            clip = tests.write_numbered_clip(folder / f"clip_{n}.mp4", tint=10 * n)
            coach.send_clip(
                player,
                clip.read_bytes(),
                f"IMG_{n}.MP4",
                modified_ms=1_777_888_800_000 + 60_000 * (n + (20 if n >= SWINGS // 2 else 0)),
            )
        coach.post(
            "/lessons/1/focus",
            {
                "measure": ["face-on side_bend@P6", "face-on pelvis_shift@P4"],
                "direction": ["more", "less"],
                "smallest": ["3", "2"],
            },
        )
        coach.work()
        coach.client.close()
    return record, app, tests


def seed(record) -> None:
    """Copy the measured lesson to 500 players with four lessons each."""
    draw = random.Random(7)
    with record.reading() as session:
        clips = session.scalars(select(Clip)).all()
        pattern = [(clip.finding, clip.swings[0].numbers) for clip in clips]
        findings = session.scalars(select(LessonFinding.findings)).one()
        stages = [clip.stage for clip in clips]
        changes = {focus.at: focus.change for focus in session.scalars(select(Focus))}
    library = read_library()
    drills = {
        at: [d.id for d in library if any(str(c.at) == at for c in d.changes)][:2]
        for at in ("side_bend@P6", "pelvis_shift@P4")
    }
    drills = [one for found in drills.values() for one in found]
    for player_no in range(2, PLAYERS + 1):
        rows: dict[type, list[dict[str, object]]] = {}
        name = f"{draw.choice(FIRST)} {draw.choice(LAST)} {player_no}"
        player = {
            "id": player_no,
            "name": name,
            "search": fold(name),
            "stature_cm": 170.0,
            "consent_on": date(2026, 1, 1),
        }
        rows[Player] = [player]
        for k in range(LESSONS):
            lesson_id = 10_000 + player_no * LESSONS + k
            started = datetime(2025, 1, 6, 9, tzinfo=UTC) + timedelta(days=30 * k + player_no % 28)
            rows.setdefault(Lesson, []).append(
                {
                    "id": lesson_id,
                    "player_id": player_no,
                    "started_at": started,
                    "title": f"Lesson {k + 1}",
                    "club": "7-iron",
                    "search": fold("Lesson 7-iron feet together"),
                }
            )
            rows.setdefault(DrillSet, []).append(
                {
                    "lesson_id": lesson_id,
                    "rank": 1,
                    "drill": draw.choice(drills),
                    "name": "feet together",
                    "minutes": 10,
                }
            )
            rows.setdefault(LessonFinding, []).append(
                {"lesson_id": lesson_id, "findings": findings}
            )
            for rank, (at, direction) in enumerate(
                (("side_bend@P6", "more"), ("pelvis_shift@P4", "less")), start=1
            ):
                rows.setdefault(Focus, []).append(
                    {
                        "lesson_id": lesson_id,
                        "rank": rank,
                        "at": at,
                        "view": View.FACE_ON,
                        "direction": direction,
                        "smallest_worth": 3.0,
                        "change": changes[at],
                    }
                )
            for n in range(SWINGS):
                clip_id = lesson_id * 100 + n
                sha256 = f"{clip_id:064x}"
                shift = draw.gauss(0, 2)
                rows.setdefault(Media, []).append(
                    {"sha256": sha256, "size_bytes": 1, "suffix": ".mp4"}
                )
                rows.setdefault(Clip, []).append(
                    {
                        "id": clip_id,
                        "player_id": player_no,
                        "lesson_id": lesson_id,
                        "sha256": sha256,
                        "name": f"IMG_{n}.MP4",
                        "filmed_at": started + timedelta(minutes=n),
                        "view": View.FACE_ON,
                        "stage": Stage(stages[n]),
                        "state": ClipState.DONE,
                        "finding": pattern[n][0],
                    }
                )
                numbers = {
                    at: [value + shift, se, systematic]
                    for at, (value, se, systematic) in pattern[n][1].items()
                }
                rows.setdefault(Swing, []).append(
                    {"clip_id": clip_id, "number": 1, "finding": "", "numbers": numbers}
                )
        with record.writing() as session:
            for table, values in rows.items():
                session.execute(insert(table), values)


def ask(client: httpx.Client, name: str, addresses: list[str]) -> None:
    """Ask for pages and print how long the answers took."""
    client.get(addresses[0])
    took = []
    cpu = time.process_time()  # of server and client together: what other programs cannot stretch
    for address in addresses:
        start = time.perf_counter()
        answer = client.get(address)
        took.append(1000 * (time.perf_counter() - start))
        assert answer.status_code == 200, (address, answer.status_code)
    cpu = 1000 * (time.process_time() - cpu) / len(took)
    p95 = statistics.quantiles(took, n=20)[-1]
    print(
        f"| {name} | {len(took)} | {statistics.median(took):.0f} | {p95:.0f} | {max(took):.0f} |"
        f" {cpu:.0f} | {len(answer.content) / 1000:.0f} |",
        flush=True,
    )


def pages() -> None:
    """Print the pages' times."""
    with scratch() as folder:
        record, app, tests = measured_lesson(folder)
        start = time.perf_counter()
        seed(record)
        size = (folder / "record.sqlite").stat().st_size / 1e6
        print(f"seeded in {time.perf_counter() - start:.0f} s, {size:.0f} MB; {machine()}")
        draw = random.Random(8)
        some = [draw.randrange(2, PLAYERS + 1) for _ in range(ASKED)]
        lessons = [10_000 + player * LESSONS + draw.randrange(LESSONS) for player in some]
        print("| page | asked | median, ms | 95 %, ms | worst, ms | processor, ms | size, kB |")
        print("| --- | --- | --- | --- | --- | --- | --- |")
        with tests.serving(app) as address, httpx.Client(base_url=address, timeout=60) as client:
            ask(client, "list", [f"/?start={100 * draw.randrange(5)}" for _ in range(ASKED)])
            words = [draw.choice((*FIRST, *LAST, "feet together", "7-iron", "zzz")) for _ in some]
            ask(client, "list, searched", [f"/?q={word}" for word in words])
            ask(client, "player", [f"/players/{player}" for player in some])
            other = "measure=face-on+side_bend%40P7"
            ask(client, "player, a measure chosen", [f"/players/{p}?{other}" for p in some])
            ask(client, "sheet", [f"/lessons/{lesson}" for lesson in lessons])
            start = time.perf_counter()
            answer = client.get("/drills")
            print(f"which drill works, made anew: {time.perf_counter() - start:.1f} s")
            assert answer.status_code == 200, answer.text
            ask(client, "which drill works", ["/drills"] * 50)
        record.close()


def frames() -> None:
    """Print how long a step takes from the key to the drawn frame."""
    from playwright.sync_api import sync_playwright

    with scratch() as folder:
        tests = stand_in()
        record, analyser = open_record(folder / "data"), tests.InventedAnalyser()
        app = create_app(record, analyser, WebSettings(), work=False)
        with tests.serving(app) as address, sync_playwright() as playwright:
            coach = tests.Coach(app, address)
            player = coach.add_player()
            for n in range(2):
                clip = tests.write_numbered_clip(
                    folder / f"{n}.mp4", frames=480, width=1080, height=1920, fps=240, tint=n
                )
                coach.send_clip(player, clip.read_bytes(), f"IMG_{n}.mp4")
            coach.work()
            browser = playwright.chromium.launch(
                executable_path=os.environ.get("LESSONMARK_CHROMIUM") or shutil.which("chromium"),
                args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
            )
            page = browser.new_page(viewport={"width": 1366, "height": 900})
            page.goto(f"{address}/swings/1?beside=2&at=side_bend@P6")
            page.wait_for_selector("#viewer[data-ready=yes]", timeout=120_000)
            page.wait_for_timeout(2000)
            print(f"two swings of 1080 x 1920 at 240 frames a second, 480 frames each; {machine()}")
            print("| steps | median, ms | 95 %, ms | worst, ms |")
            print("| --- | --- | --- | --- |")
            for name, key in (("on", "ArrowRight"), ("back", "ArrowLeft")):
                took = page.evaluate(STEPPING, [key, 150])
                p95 = statistics.quantiles(took, n=20)[-1]
                print(
                    f"| {len(took)} {name} | {statistics.median(took):.1f} | {p95:.1f} |"
                    f" {max(took):.1f} |"
                )
            browser.close()
            coach.client.close()
        record.close()


# From the key to the moment at which the exact next frame is drawn, and the other swing's at the
# same fraction (a frame more or less); ten steps a second, about what a held key gives.
STEPPING = """async ([key, count]) => {
  const canvases = [...document.querySelectorAll('.pane canvas')];
  const step = key === 'ArrowRight' ? 1 : -1;
  const took = [];
  for (let k = 0; k < count; k += 1) {
    const wanted = canvases.map(canvas => Number(canvas.dataset.frame) + step);
    const there = () => canvases.every(
      (canvas, n) => Math.abs(Number(canvas.dataset.frame) - wanted[n]) <= (n ? 1 : 0));
    const start = performance.now();
    document.body.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true }));
    while (!there() && performance.now() - start < 5000) await new Promise(r => setTimeout(r, 0));
    took.push(performance.now() - start);
    await new Promise(r => setTimeout(r, 100));
  }
  return took;
}"""


def machine() -> str:
    """Say what this ran on: others may be using it."""
    return f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, {date.today()}"


@contextmanager
def scratch():
    """Give a folder that is gone afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=["pages", "frames"])
    {"pages": pages, "frames": frames}[parser.parse_args().what]()
