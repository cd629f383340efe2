"""Take the pages' pictures for docs/screens: the demo's clips, the real analysis, a real browser.

    make bench-screens                 # a record of its own in bench/out, then the pictures
    make bench-screens ARGS=FOLDER     # the same in a folder that is kept

A record that is there already is only looked at. Every picture's page is checked by axe-core, and
for anything that sticks out at the side, before its picture is taken.
"""

from __future__ import annotations

import shutil
import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from io import BytesIO
from pathlib import Path

import uvicorn
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Page, sync_playwright
from sqlalchemy import select

from lessonmark.drills.library import find_drill, read_library
from lessonmark.lessons.arrivals import Arrival, bring_in
from lessonmark.lessons.folding import fold
from lessonmark.lessons.own_analyser import OwnAnalyser
from lessonmark.lessons.plans import (
    DrillPlan,
    FocusChoice,
    index_lesson,
    set_cues,
    set_drills,
    set_focus,
)
from lessonmark.lessons.record import InjuryNote, Lesson, Player, Swing
from lessonmark.lessons.store import Record, open_record
from lessonmark.web.app import create_app
from lessonmark.words import View

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "demo" / "lesson"
SCREENS = ROOT / "docs" / "screens"
LARGEST_PX = 1500  # of a picture's longer side, for the docs
QUALITY = 70
SIZES = {"phone": (390, 844), "laptop": (1280, 800), "projector": (1920, 1080)}
RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}}
STARTED = datetime(2026, 11, 14, 9, 30, tzinfo=UTC)
FOCUS = (("pelvis_shift@P6", "less", 2.5), ("hinge@P6", "less", 5.0))
DRILL = "noodle-behind-hip"
OTHERS = ("Anke Probe", "Beni Muster", "Carla Beispiel", "Dora Versuch", "Emil Exempel")  # invented


def build(record: Record, analyser: OwnAnalyser) -> None:
    """Bring the demo's clips in, measure them and judge the lesson."""
    with record.writing() as session:
        player = Player(
            name="Robin Demo",
            search=fold("Robin Demo"),
            stature_cm=184,
            birth_year=1988,
            consent_on=date(2026, 11, 1),
            consent_by="Robin Demo",
        )
        player.injuries = [InjuryNote(noted_on=date(2026, 10, 2), words="stiff lower back")]
        session.add(player)
        for n, name in enumerate(OTHERS):
            session.add(Player(name=name, search=fold(name), stature_cm=165 + 4 * n))
        session.flush()
        arrivals = []
        for stage, minutes in (("before", 0), ("drill", 20), ("after", 40)):
            for view in ("face-on", "down-the-line"):
                for n, path in enumerate(sorted((DEMO / stage / view).glob("*.mp4"))):
                    with path.open("rb") as file:
                        kept = record.files.keep_stream(file, ".mp4")
                    filmed_at = STARTED + timedelta(minutes=minutes + n)
                    arrivals.append(
                        Arrival(
                            kept=kept,
                            name=f"{view}-{n}.mp4",
                            folder=f"{stage}/{view}",
                            filmed_at=filmed_at,
                        )
                    )
        bring_in(session, player.id, arrivals, now=STARTED)
        lesson = session.scalars(select(Lesson)).one()
        lesson.title, lesson.club, lesson.club_length_cm = "Arms that arrive in time", "7-iron", 95
        lesson.next_on = date(2026, 11, 28)
        index_lesson(lesson)
        set_cues(lesson, ["Trail elbow leads, hands after it", "Long arms through the ball"])
        choices = [
            FocusChoice(at=at, view=View.FACE_ON, direction=way, smallest_worth=worth)
            for at, way, worth in FOCUS
        ]
        set_focus(session, lesson, choices, analyser.catalogue())
        drill = find_drill(read_library(), DRILL)
        set_drills(lesson, [DrillPlan(name=drill.said().name, drill=DRILL, minutes=10, sets=3)])


@dataclass(frozen=True, kw_only=True)
class Shot:
    """One picture: a page at a size, in a colour scheme."""

    name: str
    address: str
    size: str
    scheme: str = "light"
    keys: str = ""  # pressed one after the other, in the viewer
    wait: str = ""  # a selector that must be there
    scroll: str = ""  # a selector that is brought to the top, the part that hides it opened


def shots(record: Record) -> list[Shot]:
    """List the pictures, for the lesson as it is in the record."""
    at = FOCUS[0][0]
    with record.reading() as session:
        rows = session.scalars(select(Swing)).all()
        typical = {}
        for stage in ("before", "after"):
            mine = [row for row in rows if row.clip.stage == stage and at in row.numbers]
            mine = [row for row in mine if row.clip.view is View.FACE_ON]
            mine.sort(key=lambda row: row.numbers[at][0])
            typical[stage] = mine[len(mine) // 2].id
    viewer = f"/swings/{typical['before']}?beside={typical['after']}&at={at}"
    ready = "#viewer[data-ready=yes]"
    return [
        Shot(name="players-phone", address="/", size="phone"),
        Shot(name="players-laptop", address="/", size="laptop"),
        Shot(name="player-phone", address="/players/1", size="phone"),
        Shot(name="player-laptop", address="/players/1", size="laptop"),
        Shot(name="player-projector-dark", address="/players/1", size="projector", scheme="dark"),
        Shot(name="sheet-phone", address="/lessons/1", size="phone"),
        Shot(name="sheet-laptop", address="/lessons/1", size="laptop"),
        Shot(name="sheet-projector-dark", address="/lessons/1", size="projector", scheme="dark"),
        Shot(name="clips-laptop", address="/lessons/1", size="laptop", scroll="#clips"),
        Shot(
            name="clips-phone-dark",
            address="/lessons/1",
            size="phone",
            scheme="dark",
            scroll="#clips",
        ),
        Shot(name="plan-laptop", address="/lessons/1", size="laptop", scroll="#plan"),
        Shot(name="pack-laptop", address="/lessons/1/pack", size="laptop"),
        Shot(name="viewer-phone", address=viewer, size="phone", keys="6", wait=ready),
        Shot(name="viewer-laptop", address=viewer, size="laptop", keys="6", wait=ready),
        Shot(
            name="viewer-projector-dark",
            address=viewer,
            size="projector",
            scheme="dark",
            keys="6",
            wait=ready,
        ),
        Shot(
            name="stick-laptop",
            address=viewer,
            size="laptop",
            keys="6",
            wait=ready,
            scroll="#correct",
        ),
        Shot(
            name="stick-phone",
            address=viewer,
            size="phone",
            keys="6",
            wait=ready,
            scroll="[data-do=stick]",
        ),
        Shot(name="drills-laptop", address="/drills", size="laptop"),
        Shot(name="erase-phone", address="/players/1/erase", size="phone"),
    ]


def take(page: Page, shot: Shot) -> None:
    """Take one picture, of a page that holds to the rules."""
    page.set_viewport_size(dict(zip(("width", "height"), SIZES[shot.size], strict=True)))
    page.emulate_media(color_scheme=shot.scheme, reduced_motion="reduce")
    page.goto(shot.address)
    if shot.wait:
        page.wait_for_selector(shot.wait, timeout=60_000)
    page.wait_for_load_state("networkidle")
    for key in shot.keys:
        page.keyboard.press(key)
    if shot.scroll:  # what lies in a closed <details> has no place to scroll to
        page.locator(shot.scroll).evaluate(
            "one => { (one.closest('details') ?? one).open = true; }"
        )
    found = Axe().run(page, options=RULES)
    if found.violations_count:
        raise SystemExit(f"{shot.name}: {found.generate_report()}")
    wide = page.evaluate("document.documentElement.scrollWidth")
    if wide > SIZES[shot.size][0]:
        raise SystemExit(f"{shot.name}: {wide} px wide, the window {SIZES[shot.size][0]} px")
    if shot.scroll:
        page.locator(shot.scroll).evaluate("one => one.scrollIntoView()")
    page.wait_for_timeout(500)  # the last frame is being drawn
    picture = Image.open(BytesIO(page.screenshot())).convert("RGB")
    picture.thumbnail((LARGEST_PX, LARGEST_PX), Image.Resampling.LANCZOS)
    picture.save(SCREENS / f"{shot.name}.jpg", quality=QUALITY, optimize=True, progressive=True)


@contextmanager
def serving(record: Record, analyser: OwnAnalyser) -> Iterator[str]:
    """Serve the pages, with the background work going on."""
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    server = uvicorn.Server(
        uvicorn.Config(create_app(record, analyser), log_level="warning", access_log=False)
    )
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    server.should_exit = True
    thread.join(20)


def is_measured(record: Record) -> bool:
    """Whether nothing waits any more."""
    with record.reading() as session:
        lesson = session.scalars(select(Lesson)).one()
        waits = any(clip.state in ("waiting", "working") for clip in lesson.clips)
        return not waits and lesson.finding is not None and not lesson.finding.stale


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "bench" / "out" / "screens"
    record, analyser = open_record(folder), OwnAnalyser()
    with record.reading() as session:
        is_new = session.scalar(select(Player.id)) is None
    if is_new:
        build(record, analyser)
    with serving(record, analyser) as address, sync_playwright() as playwright:
        while not is_measured(record):
            time.sleep(1)
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(base_url=address)
        for shot in shots(record):
            take(page, shot)
            print(shot.name, (SCREENS / f"{shot.name}.jpg").stat().st_size // 1000, "kB")
        browser.close()
    analyser.close()
    record.close()


if __name__ == "__main__":
    main()
