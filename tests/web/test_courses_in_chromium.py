"""The lasting picture, target window, chain and drills in a real Chromium, by keyboard too."""

import re

import pytest

sync_api = pytest.importorskip("playwright.sync_api")

pytestmark = pytest.mark.browser
BEND = "face-on side_bend@P6"


@pytest.fixture
def judged(coach, lesson):
    """The measured lesson with a focus, a drill of the library, a chain and a target window."""
    coach.post("/lessons/1/focus", {"measure": [BEND], "direction": ["more"], "smallest": ["3"]})
    coach.post(
        "/lessons/1/plan",
        {"known": ["feet-together"], "drill": [""], "next_on": "2026-06-01"},
    )
    coach.post("/lessons/1/practice-plan", {"starts_on": "2026-05-05"})
    coach.post(
        "/lessons/1/causes",
        {
            "words": ["early slide", "bends late"],
            "shown_by": ["face-on pelvis_shift@P4", BEND],
            "way": ["more", "less"],
        },
    )
    coach.post("/players/1/target", {"measure": BEND, "low": "20", "high": "30"})
    coach.work()


def test_a_mark_is_reached_by_keyboard_and_opens_its_swing(judged, page):
    page.goto("/players/1")
    marks = page.locator(".course a")
    assert marks.count() == 6
    marks.first.focus()
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/swings/\d+"))


def test_the_coach_chooses_a_measure_and_sets_its_window(judged, page):
    page.goto("/players/1")
    page.select_option("select[name=measure]", "face-on pelvis_shift@P4")
    page.get_by_role("button", name="Show it").click()
    page.get_by_text("Set the target window").click()
    page.fill("input[name=low]", "-3")
    page.fill("input[name=high]", "3")
    page.get_by_role("button", name="Set it").click()
    page.wait_for_url(re.compile("measure="))
    assert page.locator(".course svg").get_by_text("target window").count() == 1


def test_the_pages_are_accessible_and_fit_a_phone(judged, page, check_accessible):
    for address in ("/players/1", "/drills", "/lessons/1"):
        for width, scheme in ((390, "light"), (390, "dark"), (1366, "light"), (1366, "dark")):
            page.emulate_media(color_scheme=scheme)
            page.set_viewport_size({"width": width, "height": 900})
            page.goto(address)
            page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
            check_accessible(page)
            # Nothing but the picture's own box is wider than the screen.
            assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
