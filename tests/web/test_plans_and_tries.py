"""Drills of the library, planned practice and tries at checkpoints, through the real routes."""

import re

import pytest
from sqlalchemy import select

from lessonmark.drills.library import read_library
from lessonmark.lessons.plans import library_link
from lessonmark.lessons.record import Attempt, DrillSet, PlannedPractice

LIBRARY = {drill.id: drill for drill in read_library()}
DRILL = next(
    drill
    for drill in LIBRARY.values()
    if drill.checkpoint.measure.startswith("side_bend@") and drill.checkpoint.view == "face-on"
)


def send_plan(coach, **more):
    return coach.post("/lessons/1/plan", {"known": [DRILL.id], "drill": [""], **more})


def test_a_drill_is_chosen_from_the_library_with_dose_and_day(coach, lesson, record):
    page = coach.get("/lessons/1").text
    assert f'<option value="{DRILL.id}"' in page
    page = send_plan(coach, dose=["ten a day"], set_on=["2026-05-06"], minutes=["10"]).text
    with record.reading() as session:
        row = session.scalars(select(DrillSet)).one()
        assert (row.drill, row.name) == (DRILL.id, DRILL.name)
        assert (row.dose, row.minutes, str(row.set_on)) == ("ten a day", 10, "2026-05-06")
    assert "Done when:" in page


def test_own_words_are_kept_and_a_drill_has_the_lessons_day(coach, lesson, record):
    coach.post("/lessons/1/plan", {"known": ["", "no-such"], "drill": ["brush the grass", "x"]})
    with record.reading() as session:
        rows = session.scalars(select(DrillSet).order_by(DrillSet.rank)).all()
        assert [(row.drill, row.name) for row in rows] == [("", "brush the grass"), ("", "x")]
        assert {str(row.set_on) for row in rows} == {"2026-05-04"}


@pytest.mark.parametrize(
    ("name", "drill", "linked"),
    [
        ("", "a", ("Towel", "a")),
        ("my towel", "a", ("my towel", "a")),
        ("Wall", "a", ("Towel", "a")),  # another drill was chosen: its name goes with it
        ("towel", "", ("towel", "a")),  # the library's name links by itself
        ("my towel", "", ("my towel", "")),
        ("", "", ("", "")),
    ],
)
def test_names_and_links_agree(name, drill, linked):
    assert library_link(name, drill, {"a": "Towel", "b": "Wall"}) == linked


def test_a_plan_is_made_kept_and_handed_over(coach, lesson, record):
    send_plan(coach, next_on="2026-06-01")
    answer = coach.post(
        "/lessons/1/practice-plan", {"starts_on": "2026-05-05", "minutes": "90", "days": "3"}
    )
    assert answer.status_code == 200, answer.text
    with record.reading() as session:
        kept = session.scalars(select(PlannedPractice)).one()
        assert (str(kept.starts_on), str(kept.next_on)) == ("2026-05-05", "2026-06-01")
    sessions = int(re.search(r"(\d+) sessions", answer.text)[1])
    calendar = coach.get("/lessons/1/plan.ics")
    assert calendar.headers["content-type"].startswith("text/calendar")
    # Every session and the next lesson, as RFC 5545 counts events.
    assert calendar.text.count("BEGIN:VEVENT") in (sessions, sessions + 1)
    assert DRILL.name in coach.get("/lessons/1/plan.html").text


def test_no_caution_stands_twice_on_the_lessons_page(coach, lesson):
    coach.post(
        "/lessons/1/focus",
        {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]},
    )
    send_plan(coach, next_on="2026-06-01")
    page = coach.post("/lessons/1/practice-plan", {"starts_on": "2026-05-05"}).text
    assert "Practice until" in page
    for about in ("two club lengths", "something hurts", "Warm up"):
        assert page.count(about) == 1, about


def test_a_plan_made_on_an_english_page_is_read_on_a_german_one(coach, lesson):
    send_plan(coach, next_on="2026-06-01")
    coach.post("/lessons/1/practice-plan", {"starts_on": "2026-05-05"})
    german = {"accept-language": "de"}
    for address in ("/lessons/1", "/lessons/1/plan.html"):
        page = coach.get(address, headers=german).text
        assert "Aufhören, sobald etwas schmerzt" in page
        for english in ("two club lengths", "something hurts", "Warm up", "Plain swings"):
            assert english not in page, english


def test_a_plan_made_on_a_german_page_is_read_on_an_english_one(coach, lesson):
    send_plan(coach, next_on="2026-06-01")
    at, german = "/lessons/1/practice-plan", {"accept-language": "de"}
    coach.post(at, {"starts_on": "2026-05-05"}, headers=german)
    page = coach.get("/lessons/1/plan.html").text
    assert "something hurts" in page
    assert "Schwünge" not in page


def test_a_plan_without_a_drill_or_a_day_is_refused(coach, lesson):
    assert "needs a drill of the library" in coach.post("/lessons/1/practice-plan", {}).text
    send_plan(coach)
    assert "needs the day of the next lesson" in coach.post("/lessons/1/practice-plan", {}).text
    assert coach.get("/lessons/1/plan.ics").status_code == 404


def test_a_try_is_judged_and_kept_once_a_drill(coach, lesson, record):
    send_plan(coach)
    none = coach.post("/lessons/1/attempts", {"drill": DRILL.id})
    assert none.status_code == 409
    for clip in (4, 5, 6):
        coach.post(f"/clips/{clip}/stage", {"stage": "drill"})
    coach.work()
    for _ in range(2):
        answer = coach.post("/lessons/1/attempts", {"drill": DRILL.id})
        assert answer.status_code == 200, answer.text
    with record.reading() as session:
        kept = session.scalars(select(Attempt)).one()
        checkpoint = DRILL.checkpoint
        assert kept.swings == min(3, checkpoint.of)
        assert kept.checkpoint == (
            f"{checkpoint.measure} {checkpoint.comparison} {checkpoint.value:g}"
        )
    assert "never enter the verdict" in answer.text


def test_an_unknown_drill_cannot_be_tried(coach, lesson):
    assert coach.post("/lessons/1/attempts", {"drill": "no-such"}).status_code == 409
