"""The recorder in the viewer, in a real Chromium: again, too long, not sent, no microphone."""

import time
from dataclasses import dataclass

import pytest
from sqlalchemy import select

from lessonmark.lessons.record import Lesson, Passage
from lessonmark.pack.take import SwingRef, Take, read_take, take_json

pytestmark = pytest.mark.browser


def test_one_passage_recorded_again_leaves_the_others(page, judged, record, recorder):
    recorder.open(page, "/swings/1?beside=4&at=side_bend@P6")
    for key in ("1", "4", "7"):
        page.keyboard.press(key)
        recorder.start(page)
        time.sleep(0.6)
        recorder.stop(page)
    first = kept(record)
    assert len(first) == 3
    assert page.locator("#passages audio").count() == 3
    page.get_by_role("button", name="Record passage 2 again").click()
    page.keyboard.press("9")
    recorder.start(page)
    time.sleep(1.2)
    assert recorder.stop(page).startswith("Kept in place of the old recording.")
    second = kept(record)
    assert (second[0], second[2]) == (first[0], first[2])
    assert second[1].id == first[1].id
    assert second[1].sound != first[1].sound
    assert second[1].s == pytest.approx(page_position(page, "P9"), abs=0.01)
    assert second[1].duration_s == pytest.approx(1.2, abs=0.5)
    files = {path.name for path in record.files.folder.rglob("voice/*")}
    assert files == {one.sound for one in second}
    # The pack's page leads back to the swings, with the passage chosen.
    page.goto("/lessons/1/pack")
    page.get_by_role("link", name="Record passage 3 again").click()
    page.wait_for_selector("#voice[data-ready=yes][open]")
    assert page.locator("#voice-told").inner_text().startswith("The next recording takes the place")
    assert page.locator("[data-again][aria-pressed=true]").get_attribute("data-again") == str(
        first[2].id
    )
    # Another order, and one less, from the pack's page without a script.
    page.goto("/lessons/1/pack")
    page.get_by_role("button", name="Passage 3 earlier").click()
    assert [one.id for one in kept(record)] == [first[0].id, first[2].id, first[1].id]
    page.get_by_label("Remove passage 1").click()
    page.get_by_role("button", name="Remove for good").first.click()
    page.wait_for_url("**/pack#passages")
    assert [one.id for one in kept(record)] == [first[2].id, first[1].id]


def page_position(page, name):
    look = page.request.get("/swings/1/look.json").json()
    return look["positions"][name]["s"]


def kept(record):
    with record.reading() as session:
        return [
            Kept(
                id=row.id,
                sound=row.sound,
                duration_s=row.duration_s,
                s=read_take(row.take).shown[0].left.s,
            )
            for row in session.get_one(Lesson, 1).passages
        ]


@dataclass(frozen=True)
class Kept:
    """A passage as it stands in the record."""

    id: int
    sound: str
    duration_s: float
    s: float


def test_a_passage_that_could_not_be_sent_is_still_there(
    chromium, served, judged, record, recorder
):
    context = chromium.new_context(base_url=served, viewport={"width": 1366, "height": 900})
    page = context.new_page()
    recorder.open(page, "/swings/1?beside=4")
    page.route(
        "**/passages",
        lambda route: route.abort() if route.request.method == "POST" else route.continue_(),
    )
    recorder.start(page)
    time.sleep(0.5)
    assert "The recording is still here" in recorder.stop(page)
    assert kept(record) == []
    page.unroute("**/passages")
    page.get_by_role("button", name="Send again").click()
    recorder.until(page, "document.querySelector('#voice-told').textContent.startsWith('Kept')")
    assert len(kept(record)) == 1
    context.close()


def test_the_longest_passage_ends_by_itself_and_is_kept(page, judged, record, recorder):
    recorder.open(page, "/swings/1?beside=4")
    page.evaluate("document.querySelector('#voice').dataset.longestS = '0.8'")
    recorder.start(page)
    told = "document.querySelector('#voice-told').textContent"
    recorder.until(page, f"{told}.includes('stopped and kept')")
    recorder.until(page, "document.querySelectorAll('#passages audio').length === 1")
    assert kept(record)[0].duration_s == pytest.approx(0.9, abs=0.4)


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1366, "light")])
def test_recorder_and_pack_pass_the_accessibility_rules(
    chromium, served, judged, record, width, scheme
):
    axe_api = pytest.importorskip("axe_playwright_python.sync_playwright")
    rules = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}}
    with record.writing() as session:
        lesson = session.get_one(Lesson, 1)
        lesson.passages = [a_passage(1), a_passage(2)]
        made = record.files.lesson_folder(lesson.uid) / "pack" / "lesson-2026-05-04"
    made.mkdir(parents=True)
    for name in ("review.mp4", "page-a4.pdf", "card.png", "sheet.html", "message.txt"):
        (made / name).write_text("Hello")
    context = chromium.new_context(
        base_url=served, viewport={"width": width, "height": 844}, color_scheme=scheme
    )
    page = context.new_page()
    for address in ("/lessons/1/pack", "/swings/1?beside=4#voice"):
        page.goto(address)
        if "voice" in address:
            page.wait_for_selector("#voice[data-ready=yes]", state="attached")
        page.wait_for_load_state("networkidle")
        found = axe_api.Axe().run(page, options=rules)
        assert found.violations_count == 0, found.generate_report()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    context.close()


def a_passage(rank):
    take = Take(
        focus=None,
        audio=None,
        duration_s=1.0,
        swings=(SwingRef(clip_sha256="0" * 64, number=1),),
        shown=(),
    )
    return Passage(rank=rank, duration_s=1.0, caption="", sound="", take=take_json(take))


def test_a_page_without_a_microphone_says_what_to_do_and_goes_on(
    chromium, served, judged, record, recorder
):
    context = chromium.new_context(base_url=served, viewport={"width": 1366, "height": 900})
    # As a browser does whose user said no.
    context.add_init_script(
        "navigator.mediaDevices.getUserMedia = async () => {"
        " throw new DOMException('no', 'NotAllowedError'); };"
    )
    page = context.new_page()
    recorder.open(page, "/swings/1?beside=4")
    page.keyboard.press("r")
    recorder.until(page, "document.querySelector('#voice-told').textContent.includes('Allow it')")
    assert page.locator("#viewer").get_attribute("data-recording") in (None, "no")
    page.get_by_label("Without voice").check()
    recorder.start(page)
    page.keyboard.press("7")
    page.locator("[data-do=ghost]").click()
    time.sleep(0.4)
    assert recorder.stop(page) == "Kept as the last passage."
    assert [one.sound for one in kept(record)] == [""]
    # What lay over the first swing is in the log: the second one, where it stood.
    with record.reading() as session:
        last = read_take(session.scalars(select(Passage.take)).one()).shown[-1]
    assert last.left.ghost.s == last.right.s
    assert last.right.ghost is None
    context.close()
