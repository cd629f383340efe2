"""The lasting picture, the target window and the drills' page, through the real routes."""

import re

import pytest
from sqlalchemy import select

from lessonmark.lessons.record import TargetWindow

BEND = "face-on side_bend@P6"


def judge(coach):
    coach.post("/lessons/1/focus", {"measure": [BEND], "direction": ["more"], "smallest": ["3"]})


def test_the_latest_focus_is_drawn_and_another_can_be_chosen(coach, lesson):
    judge(coach)
    page = coach.get("/players/1").text
    assert page.count('class="course"') == 1
    assert f'<option value="{BEND}" selected' in page
    assert "look again in a week" in page
    assert "never enter a verdict" in page
    other = coach.get("/players/1", params={"measure": "face-on pelvis_shift@P4"}).text
    assert other.count('class="course"') == 1
    assert '<option value="face-on pelvis_shift@P4" selected' in other


def test_a_measure_that_is_none_is_refused(coach, lesson):
    assert coach.get("/players/1", params={"measure": "face-on nonsense"}).status_code == 404


def test_a_drills_swings_are_shown_and_never_judged(coach, lesson):
    judge(coach)
    for clip in (4, 5, 6):
        coach.post(f"/clips/{clip}/stage", {"stage": "drill"})
    coach.work()
    page = coach.get("/players/1").text
    assert len(set(re.findall(r'href="/swings/(\d+)"', page))) == 6
    assert "look again in a week" not in page  # there is no after to keep


@pytest.mark.parametrize(
    ("low", "high", "kept", "words"),
    [
        ("5", "10", (5.0, 10.0), "5.0° to 10.0°"),
        ("25", "", (25.0, None), "at least 25.0°"),
        ("", "25", (None, 25.0), "at most 25.0°"),
    ],
)
def test_the_coach_sets_a_target_window(coach, lesson, record, low, high, kept, words):
    judge(coach)
    page = coach.post("/players/1/target", {"measure": BEND, "low": low, "high": high}).text
    with record.reading() as session:
        row = session.scalars(select(TargetWindow)).one()
        assert (row.at, row.view, row.low, row.high) == ("side_bend@P6", "face-on", *kept)
    assert words in page
    assert "target window" in coach.get("/players/1/course.svg", params={"measure": BEND}).text
    gone = coach.post("/players/1/target", {"measure": BEND, "low": "", "high": ""}).text
    assert words not in gone
    with record.reading() as session:
        assert session.scalars(select(TargetWindow)).all() == []


def test_an_impossible_window_changes_nothing(coach, lesson, record):
    coach.post("/players/1/target", {"measure": BEND, "low": "1", "high": "2"})
    assert (
        coach.post("/players/1/target", {"measure": BEND, "low": "3", "high": "2"}).status_code
        == 409
    )
    assert (
        coach.post("/players/1/target", {"measure": BEND, "low": "nan", "high": ""}).status_code
        == 422
    )
    with record.reading() as session:
        row = session.scalars(select(TargetWindow)).one()
        assert (row.low, row.high) == (1.0, 2.0)


def test_without_a_picture_there_is_none_to_hand_over(coach):
    coach.add_player()
    assert coach.get("/players/1/course.svg").status_code == 404


def test_the_drills_page_lists_the_library_and_says_what_it_cannot(coach):
    page = coach.get("/drills").text
    assert "it takes five players" in page
    assert 'href="/drills"' in coach.get("/").text
