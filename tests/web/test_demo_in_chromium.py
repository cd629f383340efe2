"""The demo's own clips through the real analysis, in a real Chromium, from folder to erasure.

Nothing stands in for anything: the network tracks, the swings are judged, the browser steps through
the frames. Six face-on clips, because verdicts need three swings a stage. The clips' true values
are in ``demo/truth.json``: what the page says is held to them.
"""

import json
import os
import re
import shutil
from pathlib import Path
from statistics import mean

import pytest
from sqlalchemy import func, select

from lessonmark.lessons.own_analyser import OwnAnalyser
from lessonmark.lessons.record import Base

sync_api = pytest.importorskip("playwright.sync_api")
expect = sync_api.expect
pytestmark = [pytest.mark.browser, pytest.mark.network_weights]

DEMO = Path(__file__).parents[2] / "demo"
SWINGS = 3  # a stage
FOCUS = "pelvis_shift@P6"
ANALYSED_WITHIN_MS = 300_000  # a condition ends the wait; this only ends a hang
FILMED = 1_778_000_000.0


@pytest.fixture
def analyser():
    own = OwnAnalyser()
    yield own
    own.close()


@pytest.fixture
def phone(tmp_path):
    """A phone's folder: before/face-on and, half an hour later, after/face-on."""
    folder = tmp_path / "phone"
    for stage, minutes in (("before", 0), ("after", 30)):
        there = folder / stage / "face-on"
        there.mkdir(parents=True)
        for n in range(SWINGS):
            clip = there / f"clip_{n:02}.mp4"
            shutil.copyfile(DEMO / "lesson" / stage / "face-on" / clip.name, clip)
            at = FILMED + 60 * (minutes + n)
            os.utime(clip, (at, at))
    return folder


def numbers(words):
    """Read the numbers of a sentence."""
    found = re.findall(r"[-−+]?\d+(?:\.\d+)?", words.replace("95 %", ""))
    return [float(one.replace("−", "-")) for one in found]


def at_p6(truth, clip):
    return truth[clip]["positions"]["P6"]["d3"]  # m


def true_change():
    """Give how far the pelvis truly was shifted less at P6 after than before, cm."""
    truth = json.loads((DEMO / "truth.json").read_text())
    shifts = {
        stage: [
            100 * at_p6(truth, f"{stage}/face-on/clip_{n:02}.mp4")["pelvis_disp"][0]
            for n in range(SWINGS)
        ]
        for stage in ("before", "after")
    }
    return mean(shifts["after"]) - mean(shifts["before"])


def wait_ready(page):
    page.wait_for_selector("#viewer[data-ready=yes]", timeout=60_000)


def drag(page, name, dx, dy):
    """Drag a landmark of the first picture by the pointer, in the picture's px."""
    spot = page.evaluate(
        """async name => {
          const figure = document.querySelector('.pane');
          const look = await (await fetch(`/swings/${figure.dataset.swing}/look.json`)).json();
          const index = await (await fetch(look.frames + '.json')).json();
          const s = index.times[Number(figure.querySelector('canvas').dataset.frame)];
          const row = look.times.findIndex(one => Math.abs(one - s) < 0.004);
          return { at: look.paths[name][row], full: index.full };
        }""",
        name,
    )
    canvas = page.locator(".pane canvas").first
    page.locator("[data-do=whole]").click()
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    scale = min(box["width"] / spot["full"]["width"], box["height"] / spot["full"]["height"])
    x = box["x"] + (box["width"] - spot["full"]["width"] * scale) / 2 + spot["at"][0] * scale
    y = box["y"] + (box["height"] - spot["full"]["height"] * scale) / 2 + spot["at"][1] * scale
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + dx * scale, y + dy * scale, steps=5)
    page.mouse.up()


def test_the_demo_from_a_phones_folder_to_erasure(page, phone, record, check_accessible, tmp_path):
    # Who it is, and consent.
    page.goto("/")
    page.get_by_role("link", name="New player").click()
    page.get_by_label("Name").fill("Robin Demonstrand")
    page.get_by_label("Stature, cm").fill("184")
    page.get_by_role("button", name="Keep").click()
    page.get_by_label("Given on").fill("2026-05-01")
    page.get_by_role("button", name="Keep the consent").click()
    page.get_by_text("May 1, 2026, given by Robin Demonstrand").wait_for()
    check_accessible(page)

    # The folder comes in; its words say stage and view.
    page.set_input_files("input[data-folder]", str(phone))
    page.wait_for_url(re.compile(r"/lessons/\d+"))
    rows = page.locator("tr[data-clip]")
    expect(rows).to_have_count(2 * SWINGS)
    expect(page.locator("button.before[aria-pressed=true]")).to_have_count(SWINGS)
    expect(page.locator("button.after[aria-pressed=true]")).to_have_count(SWINGS)

    # Progress moves while the page can be used: the club's length and a focus are entered.
    bar = page.locator(
        "tr[data-state=working] progress, tr[data-clip] progress:not([hidden])"
    ).first
    bar.wait_for()
    seen = set()
    while len(seen) < 3:
        seen.add(page.evaluate("document.querySelector('progress:not([hidden])')?.value ?? 0"))
        page.wait_for_timeout(200)
    assert all(0 <= share <= 1 for share in seen)
    page.locator("select[name=measure]").first.select_option(f"face-on {FOCUS}")
    page.locator("select[name=direction]").first.select_option("less")
    page.locator("input[name=smallest]").first.fill("2")
    page.get_by_role("button", name="Judge these").click()
    page.wait_for_selector("#work[data-busy=no]", state="attached", timeout=ANALYSED_WITHIN_MS)
    assert set(rows.locator("[data-words]").all_inner_texts()) == {"measured"}
    check_accessible(page)

    # The same folder again changes nothing.
    page.goto("/players/1")
    page.set_input_files("input[data-folder]", str(phone))
    page.get_by_text(f"0 new, {2 * SWINGS} already here").wait_for()

    # The sheet: the verdict, and the difference held to the truth that the clips were made from.
    page.goto("/lessons/1")
    article = page.locator("article.measure").first
    assert article.locator(".verdict").inner_text() == "changed"
    assert "Hip shift at P6 has changed" in article.locator(".sentence").inner_text()
    article.locator(".pair image").first.wait_for(state="attached")

    # The viewer, at P6 in both.
    article.get_by_role("link", name="Step through the swings").click()
    wait_ready(page)
    page.keyboard.press("6")
    for place in page.locator(".readout .where").all():
        expect(place).to_have_text(re.compile("^P6"))
    values = page.locator(".readout .value")
    before, after = (numbers(text)[0] for text in values.all_inner_texts())
    assert before > after
    check_accessible(page)

    # Drag a landmark: number, verdict and mark follow at once; undo brings everything back.
    verdict = page.locator("#verdicts p").first
    shown, judged = values.first.inner_text(), verdict.inner_text()
    change, low, high = (
        numbers(judged.partition(":")[2])[0],
        *numbers(judged.partition("val")[2])[:2],
    )
    assert low <= true_change() <= high
    assert abs(change - true_change()) < 1.0
    page.locator("#correct summary").click()
    drag(page, "lead_hip", 30, 0)
    expect(values.first).not_to_have_text(shown)
    expect(verdict).not_to_have_text(judged)
    expect(page.locator(".pane .by-hand").first).to_be_visible()
    assert numbers(verdict.inner_text().partition(":")[2])[0] < change  # moved on by 15 px a hip
    page.keyboard.press("u")
    expect(values.first).to_have_text(shown)
    expect(verdict).to_have_text(judged)
    expect(page.locator(".pane .by-hand").first).to_be_hidden()

    # Export.
    page.get_by_role("navigation").get_by_role("link", name="Robin Demonstrand").click()
    page.get_by_text("Hand over, or erase").click()
    with page.expect_download() as download:
        page.get_by_role("link", name="Export").click()
    zipped = Path(download.value.path()).read_bytes()
    clips = [path.read_bytes() for path in sorted(phone.rglob("*.mp4"))]
    assert all(clip in zipped for clip in clips)  # stored, not packed

    # Erase: the page says so, and rows, files and words are gone.
    kept = [path for path in record.files.folder.rglob("*") if path.is_file()]
    assert len(kept) > 5 * len(clips)  # clips, tracks, frames, pictures
    page.get_by_role("link", name="Erase this player").click()
    page.get_by_label("Type the name to go on").fill("Robin Demonstrand")
    page.get_by_role("button", name="Erase").click()
    expect(page.locator("main")).to_contain_text("no trace of this player", timeout=90_000)
    check_accessible(page)
    left = [path for path in record.files.folder.rglob("*") if path.is_file()]
    assert {path.name.split("-")[0] for path in left} == {"record.sqlite"}
    assert not any(b"Demonstrand" in path.read_bytes() for path in left)
    with record.reading() as session:
        rows = {
            table.name: session.scalar(select(func.count()).select_from(table))
            for table in Base.metadata.sorted_tables
        }
    assert {name for name, count in rows.items() if count} == {"erasure"}  # that one was, not whom
