"""The coach's whole way through a lesson, in a real Chromium.

Needs a Chromium at /usr/bin/chromium or in ``LESSONMARK_CHROMIUM``; skipped where there is none.
Contrast and names are checked by axe-core (WCAG 2.1 A and AA rules).
"""

import re
import threading
import time
from pathlib import Path

import pytest

from lessonmark.lessons.record import Swing

sync_api = pytest.importorskip("playwright.sync_api")

pytestmark = pytest.mark.browser
BLOCKS_SHOWN = """(canvas) => {
  // Read the burnt-in number back from what the canvas shows of the whole picture.
  const pen = canvas.getContext('2d');
  const scale = Math.min(canvas.width / 240, canvas.height / 426);
  const left = (canvas.width - 240 * scale) / 2, top = (canvas.height - 426 * scale) / 2;
  let number = 0;
  for (let bit = 0; bit < 10; bit += 1) {
    const pixel = pen.getImageData(left + (bit * 16 + 8) * scale, top + 8 * scale, 1, 1).data;
    if (pixel[0] > 128) number += 1 << bit;
  }
  return number;
}"""


def until(page, condition, arg=None, timeout_s=60.0):
    """Wait for a condition; `wait_for_function` needs 'unsafe-eval', which the pages forbid."""
    end = time.monotonic() + timeout_s
    while True:
        try:
            if page.evaluate(condition, arg):
                return
        except sync_api.Error as error:  # the page is just being loaded again
            if "context was destroyed" not in str(error):
                raise
        assert time.monotonic() < end, condition
        time.sleep(0.03)


def settled(page):
    until(page, "document.querySelector('#work')?.dataset.busy === 'no'")


def value_shown(page, words, same):
    until(
        page,
        "([words, same]) =>"
        " (document.querySelector('.readout .value').textContent === words) === same",
        [words, same],
    )


def open_viewer(page, address):
    page.goto(address)
    page.wait_for_selector("#viewer[data-ready=yes]", timeout=60_000)


def frames_shown(page):
    return [
        int(canvas.get_attribute("data-frame"))
        for canvas in page.query_selector_all(".pane canvas")
    ]


def until_shown(page, frames):
    """A pane keeps its old picture until the new one is there, which takes time under load."""
    until(
        page,
        "[...document.querySelectorAll('.pane canvas')].map(c => c.dataset.frame).join() "
        f"=== '{','.join(map(str, frames))}'",
    )


def test_the_page_made_anew_does_not_cancel_what_was_just_sent(page, lesson, record, monkeypatch):
    waited, writing = [], record.writing

    def slowly():
        if threading.current_thread().name.startswith("AnyIO"):  # a route, not the background
            waited.append(time.sleep(4.0))  # the background work ends, the page wants to show it
        return writing()

    page.goto(f"/lessons/{lesson[1]}")
    rows = page.locator("tr[data-clip]")
    rows.nth(0).get_by_role("button", name="drill").click()
    rows.nth(0).locator("button.drill[aria-pressed=true]").wait_for()
    assert page.locator("#work").get_attribute("data-busy") == "yes"
    monkeypatch.setattr(record, "writing", slowly)
    rows.nth(1).get_by_role("button", name="drill").click()
    rows.nth(1).locator("button.drill[aria-pressed=true]").wait_for(timeout=15_000)
    assert waited
    settled(page)


def test_a_lesson_from_the_first_clip_to_erasure(page, clips, analyser):
    analyser.bends |= {path.stem: 6.0 if n < 3 else 26.0 for n, path in enumerate(clips)}
    # Who it is, and consent.
    page.goto("/")
    page.get_by_role("link", name="New player").click()
    page.get_by_label("Name").fill("Wilma Testerly")
    page.get_by_label("Stature, cm").fill("170")
    page.get_by_role("button", name="Keep").click()
    page.get_by_label("Given on").fill("2026-05-01")
    page.get_by_role("button", name="Keep the consent").click()
    page.get_by_text("May 1, 2026, given by Wilma Testerly").wait_for()
    # Clips, with progress.
    page.set_input_files("input[name=files]", [str(path) for path in clips])
    page.wait_for_url(re.compile(r"/lessons/\d+"))
    settled(page)
    assert page.locator("tr[data-clip]").count() == 6
    assert set(page.locator("tr[data-clip] [data-words]").all_inner_texts()) == {"measured"}
    # The files were written at once: the stages are the coach's to say.
    for row in range(3, 6):
        clip = page.locator("tr[data-clip]").nth(row)
        clip.get_by_role("button", name="after").click()
        clip.locator("button.after[aria-pressed=true]").wait_for()
    # A focus.
    page.locator("select[name=measure]").first.select_option("face-on side_bend@P6")
    page.locator("select[name=direction]").first.select_option("more")
    page.locator("input[name=smallest]").first.fill("3")
    page.get_by_role("button", name="Judge these").click()
    page.locator(".verdict").wait_for()
    assert page.locator(".verdict").inner_text() == "changed"
    settled(page)
    page.locator(".pair image").first.wait_for(state="attached", timeout=30_000)
    # The viewer, at P6 in both.
    page.get_by_role("link", name="Step through the swings").click()
    page.wait_for_selector("#viewer[data-ready=yes]", timeout=60_000)
    page.keyboard.press("6")
    until(
        page,
        "[...document.querySelectorAll('.readout .where')]"
        ".every(place => place.textContent.startsWith('P6'))",
    )
    before = page.locator(".readout .value").first.inner_text()
    verdict = page.locator("#verdicts p").first.inner_text()
    # Drag a landmark: numbers and verdict follow, marked, undone.
    page.locator("#correct summary").click()
    page.locator("#keypoint").select_option("trail_shoulder")
    # Sideways, and far enough to show: a value with an error of 8 degrees is told whole.
    for _ in range(8):
        page.locator("[data-nudge='1,0']").click()
    until(page, "document.querySelectorAll('#told')[0].textContent !== ''")
    until(page, "document.querySelector('#viewer').dataset.busy === 'no'")
    value_shown(page, before, False)
    assert page.locator("#verdicts p").first.inner_text() != verdict
    assert page.locator(".pane .by-hand").first.is_visible()
    for _ in range(8):
        page.locator("[data-do=undo]").click()
        until(page, "document.querySelector('#viewer').dataset.busy === 'no'")
    assert page.locator("[data-do=undo]").is_disabled()
    assert page.locator(".readout .value").first.inner_text() == before
    assert page.locator("#verdicts p").first.inner_text() == verdict
    # Export and erase.
    page.get_by_role("navigation").get_by_role("link", name="Wilma Testerly").click()
    page.get_by_text("Hand over, or erase").click()
    with page.expect_download() as download:
        page.get_by_role("link", name="Export").click()
    assert Path(download.value.path()).read_bytes().startswith(b"PK")
    page.get_by_role("link", name="Erase this player").click()
    page.get_by_label("Type the name to go on").fill("Wilma Testerly")
    page.get_by_role("button", name="Erase").click()
    page.get_by_text("no trace of this player").wait_for(timeout=30_000)


def test_every_step_shows_the_exact_frame(page, lesson):
    open_viewer(page, "/swings/1?beside=2")
    page.locator("[data-do=whole]").click()
    page.locator("[data-do=lines]").click()
    page.keyboard.press("4")
    start = frames_shown(page)[0]
    canvas = page.locator(".pane canvas").first
    for step in [1] * 12 + [-1] * 20 + [1] * 5:
        start += step
        page.keyboard.press("ArrowRight" if step > 0 else "ArrowLeft")
        until(
            page, "n => document.querySelector('.pane canvas').dataset.frame === String(n)", start
        )
        assert canvas.evaluate(BLOCKS_SHOWN) == start


def test_a_landmark_dragged_by_the_pointer_is_kept_and_undone(page, lesson):
    open_viewer(page, "/swings/1?at=side_bend@P6")
    page.locator("#correct summary").click()
    before = page.locator(".readout .value").inner_text()
    page.locator(".pane canvas").scroll_into_view_if_needed()
    spot = page.evaluate("""async () => {
      const look = await (await fetch('/swings/1/look.json')).json();
      const canvas = document.querySelector('.pane canvas');
      const index = await (await fetch(look.frames + '.json')).json();
      const frame = Number(canvas.dataset.frame);
      const row = look.times.findIndex(s => Math.abs(s - index.times[frame]) < 0.004);
      return { at: look.paths.trail_shoulder[row], full: index.full };
    }""")
    page.locator("[data-do=whole]").click()
    page.locator(".pane canvas").scroll_into_view_if_needed()
    box = page.locator(".pane canvas").bounding_box()
    scale = min(box["width"] / spot["full"]["width"], box["height"] / spot["full"]["height"])
    x = box["x"] + (box["width"] - spot["full"]["width"] * scale) / 2 + spot["at"][0] * scale
    y = box["y"] + (box["height"] - spot["full"]["height"] * scale) / 2 + spot["at"][1] * scale
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 20, y + 40, steps=4)
    page.mouse.up()
    value_shown(page, before, False)
    assert page.locator("#keypoint").input_value() == "trail_shoulder"
    assert page.locator(".by-hand").is_visible()
    page.keyboard.press("u")
    value_shown(page, before, True)


def test_a_stick_is_clicked_on_the_picture(page, lesson, record):
    open_viewer(page, "/swings/1?at=side_bend@P6")
    page.locator("#correct summary").click()
    page.locator("[data-do=whole]").click()
    page.get_by_label("Its length, cm").fill("121.9")
    page.get_by_role("button", name="Click a stick on the target line").click()
    assert "one end of the stick" in page.locator("#told").inner_text()
    page.locator(".pane canvas").scroll_into_view_if_needed()
    box = page.locator(".pane canvas").bounding_box()
    full = page.evaluate("document.querySelector('#viewer').panes[0].size()")
    scale = min(box["width"] / full["width"], box["height"] / full["height"])
    left = box["x"] + (box["width"] - full["width"] * scale) / 2
    top = box["y"] + (box["height"] - full["height"] * scale) / 2
    ends = [
        (0.3 * full["width"], 0.9 * full["height"]),
        (0.7 * full["width"], 0.91 * full["height"]),
    ]
    for x, y in ends:
        page.mouse.click(left + x * scale, top + y * scale)
    page.get_by_text("measured anew with it").wait_for(timeout=30_000)
    with record.reading() as session:
        clip = session.get_one(Swing, 1).clip
        stick, length_cm = clip.stick, clip.stick_cm
    assert length_cm == 121.9
    for clicked, kept in zip(ends, stick, strict=True):
        assert kept == pytest.approx(clicked, abs=1.5 / scale)


def test_locked_swings_stand_at_the_same_fraction(page, lesson):
    open_viewer(page, "/swings/1?beside=4")
    start = frames_shown(page)[0]
    page.keyboard.press("4")
    until(page, f"Number(document.querySelector('.pane canvas').dataset.frame) > {start}")
    # The invented swings share their positions' shares of the clip, so frames go together.
    p4 = frames_shown(page)[0]
    until_shown(page, [p4, p4])
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    until_shown(page, [p4 + 3, p4 + 3])
    page.locator("[data-do=lock]").click()
    page.keyboard.press("ArrowRight")
    until_shown(page, [p4 + 4, p4 + 3])


def test_one_swing_can_be_laid_over_the_other(page, lesson):
    open_viewer(page, "/swings/1?beside=2")
    page.keyboard.press("4")
    shot = "canvas => canvas.toDataURL()"
    canvas = page.locator(".pane canvas").first
    until(page, "document.querySelectorAll('.pane canvas')[1].dataset.frame !== undefined")
    alone = canvas.evaluate(shot)
    # Another moment of the second swing, so that the two pictures differ.
    page.locator("[data-do=lock]").click()
    page.locator(".pane canvas").nth(1).focus()
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    assert canvas.evaluate(shot) == alone
    page.locator("[data-do=ghost]").click()
    assert canvas.evaluate(shot) != alone
    page.locator("[data-do=ghost]").click()
    assert canvas.evaluate(shot) == alone


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1366])
def test_pages_pass_the_accessibility_rules(
    chromium, served, lesson, scheme, width, coach, check_accessible
):
    coach.post(
        "/lessons/1/focus",
        {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]},
    )
    context = chromium.new_context(
        base_url=served, viewport={"width": width, "height": 844}, color_scheme=scheme
    )
    page = context.new_page()
    for address in ("/", "/players/1", "/players/new", "/lessons/1", "/swings/1?beside=4"):
        page.goto(address)
        page.wait_for_load_state("networkidle")
        check_accessible(page)
        # Nothing sticks out at the side.
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    context.close()


def test_the_list_follows_the_typing(page, coach):
    coach.add_player("Łukasz Fürge")
    coach.add_player("Somebody Else")
    page.goto("/")
    page.get_by_role("searchbox").press_sequentially("furg")
    page.get_by_text("Somebody Else").wait_for(state="detached")
    assert page.get_by_text("Łukasz Fürge").is_visible()
