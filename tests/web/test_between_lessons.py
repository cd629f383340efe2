"""What happens between lessons: practice, and the next lesson's opening swings as a retest."""

import html
import re
from datetime import date

import pytest
from sqlalchemy import select

from lessonmark.lessons.record import Lesson, LessonKind, Swing
from lessonmark.words import Stage

START_MS = 1_777_888_800_000  # when the measured lesson's first clip was filmed
DAY_MS = 86_400_000
FOCUS = {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]}


@pytest.fixture
def film(coach, clips, lesson, analyser):
    """Bring three new clips of the first lesson's player in, days after it."""
    numbers = iter(range(1, 200))

    def bring(days, bend, *, minutes=0, **query):
        for _ in range(3):
            n = next(numbers)
            analyser.bends[f"NEW_{n}"] = bend
            # The same pictures with an empty box behind them (ISO/IEC 14496-12, 8.1.2): another
            # file to the record, the same film to a player.
            content = clips[0].read_bytes() + b"\0\0\0\x08free" * n
            answer = coach.send_clip(
                1,
                content,
                f"NEW_{n}.MP4",
                modified_ms=START_MS + days * DAY_MS + 60_000 * (minutes + n),
                **query,
            )
            assert answer.status_code == 200, answer.text
        return answer.json()["lesson"]

    return bring


def film_well(record):
    """Give every swing the errors of good footage; the invented clips are tiny pictures."""
    with record.writing() as session:
        for swing in session.scalars(select(Swing)):
            value, *_ = swing.numbers["side_bend@P6"]
            swing.numbers = {**swing.numbers, "side_bend@P6": [value, 1.0, 0.5]}


def words_of(coach, lesson_id):
    page = coach.get(f"/lessons/{lesson_id}").text
    text = html.unescape(re.sub(r"<[^>]+>", " ", page[page.index("<main") :]))
    return " ".join(text.split())


def test_a_lesson_says_what_to_film_first_next_time(coach, lesson, record):
    coach.post("/lessons/1/focus", FOCUS)
    # With the phone's place unknown another day, no number of swings would tell: said as it is.
    assert "Mark where the phone stood and put it there again." in words_of(coach, 1)
    film_well(record)
    said = words_of(coach, 1)
    assert "What to film first next time" in said
    assert "First of all, before any drill or word" in said
    assert "side bend at P6" in said.partition("What to film first next time")[2]


@pytest.mark.parametrize(("bend", "where"), [(26.0, "inside"), (6.0, "outside")])
def test_the_next_lessons_opening_swings_stand_beside_the_forecast(
    coach, film, lesson, record, bend, where
):
    coach.post("/lessons/1/focus", FOCUS)
    second = film(7, bend)
    assert second != 1
    coach.work()
    film_well(record)
    said = words_of(coach, second)
    line = re.search(r"Side bend at P6: [^.]*?(\d+)°?, (\w+) the forecast of", said)
    assert "What lasted of the last lesson" in said
    assert line[2] == where
    assert int(line[1]) == pytest.approx(bend, abs=2)  # the invented figure's bend
    assert "3 opening swings." in said
    # On the first lesson's page too, in the place of what to film first.
    said = words_of(coach, 1)
    assert "What lasted until the next lesson" in said
    assert f", {where} the forecast of" in said
    assert "What to film first next time" not in said


def test_swings_that_the_coach_calls_a_retest_take_the_place_of_those_before(
    coach, film, lesson, record
):
    coach.post("/lessons/1/focus", FOCUS)
    second = film(7, 6.0)
    film(7, 26.0)
    coach.work()
    film_well(record)
    assert "6 opening swings." in words_of(coach, 1)
    assert ", outside the forecast of" in words_of(coach, 1)  # half of them never changed
    page = coach.get(f"/lessons/{second}").text
    ids = re.findall(r'<tr data-clip="(\d+)"', page)
    assert len(ids) == 6
    assert 'value="retest"' in page  # one press a clip
    for clip in ids[3:]:
        coach.post(f"/clips/{clip}/stage", {"stage": "retest"})
    said = words_of(coach, second)
    assert ", inside the forecast of" in said
    assert "3 opening swings." in said


def test_swings_before_the_next_lesson_is_due_are_taken_for_practice(coach, film, record):
    with record.writing() as session:
        first = session.get_one(Lesson, 1)
        first.next_on = date(2026, 5, 18)  # filmed on 4 May 2026
    practice, later = film(5, 20.0), film(14, 20.0)
    with record.reading() as session:
        assert session.get_one(Lesson, practice).kind is LessonKind.PRACTICE
        stages = {clip.stage for clip in session.get_one(Lesson, practice).clips}
        assert stages == {Stage.PRACTICE}
        assert session.get_one(Lesson, later).kind is LessonKind.LESSON
    # A guess: one press says otherwise, and back.
    assert 'value="practice" aria-pressed="true"' in coach.get(f"/lessons/{practice}").text
    coach.post(f"/lessons/{practice}/kind", {"kind": "lesson"})
    with record.reading() as session:
        assert session.get_one(Lesson, practice).kind is LessonKind.LESSON
        stages = {clip.stage for clip in session.get_one(Lesson, practice).clips}
        assert stages == {Stage.BEFORE}
    coach.post(f"/lessons/{practice}/kind", {"kind": "practice"})
    coach.work()
    said = words_of(coach, practice)
    assert said.count("measured") >= 3
    assert "What lasted of the last lesson" not in said  # practice is never a retest


def test_a_folder_called_practice_is_practice(coach, film, record):
    practice = film(30, 20.0, folder="phone/practice")
    with record.reading() as session:
        assert session.get_one(Lesson, practice).kind is LessonKind.PRACTICE


@pytest.mark.parametrize(("bend", "outcome"), [(20.0, "met"), (6.0, "not met")])
def test_practice_swings_are_held_against_the_drill_that_was_set(
    coach, film, record, bend, outcome
):
    """From the drill on the first lesson's sheet to the practice's outcome on its own page."""
    coach.post(
        "/lessons/1/plan",
        {"known": ["eyes-and-shoulder-set"], "drill": ["Eyes and shoulders"], "dose": [""]},
    )
    film(5, bend, kind="practice")
    practice = film(5, bend, kind="practice")
    coach.work()
    film_well(record)
    assert "Hold the swings against the drill" in words_of(coach, practice)
    coach.post(f"/lessons/{practice}/attempts", {"drill": "eyes-and-shoulder-set"})
    said = words_of(coach, practice).partition("Tries at a drill's checkpoint.")[2]
    # The checkpoint: 3 degrees more side bend at P6 than before, which was 6.
    assert re.match(rf".*? Swings .*? {outcome} (\d) of \d swings met it", said)
    assert ("0 of" in said[:200]) == (outcome == "not met")
