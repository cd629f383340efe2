"""The plan until the next lesson, its cautions, and its calendar read by another reader."""

import html
import re
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
import vobject
from icalendar import Calendar

from lessonmark.drills.calendar import plan_calendar
from lessonmark.drills.dose import Wish
from lessonmark.drills.library import find_drill, read_library
from lessonmark.drills.plan import BlockKind, Phase, plan_practice
from lessonmark.drills.plan_page import plan_page
from lessonmark.errors import RecordError

DRILLS = read_library()
START = date(2026, 11, 15)


def make_wish(**known):
    given = {
        "start": START,
        "next_lesson": START + timedelta(days=21),
        "minutes_a_week": 120,
        "days_a_week": 3,
    } | known
    return Wish(**given)


def make_plan(*ids, **known):
    ids = ids or ("noodle-behind-hip", "long-arms-through")
    return plan_practice([find_drill(DRILLS, id) for id in ids], make_wish(**known))


def test_sessions_lie_apart_before_the_lesson_and_within_the_players_time():
    plan = make_plan()
    days = [session.on for session in plan.sessions]
    assert days[0] == START
    assert days[-1] < plan.next_lesson
    assert len(days) == 9  # three a week for three weeks
    assert min(b - a for a, b in pairwise(days)) >= timedelta(days=1)
    for monday in range(15):
        week = [s for s in plan.sessions if 0 <= (s.on - START).days - monday < 7]
        assert len(week) <= 3
    whole = sum(session.minutes for session in plan.sessions)
    assert whole <= 120 * 3


@pytest.mark.parametrize("minutes", [30, 60, 90, 120, 200, 400])
def test_practice_is_at_most_thirty_minutes_and_the_warm_up_comes_first(minutes):
    plan = make_plan(minutes_a_week=minutes)
    for session in plan.sessions:
        assert session.blocks[0].kind is BlockKind.WARM_UP
        assert session.blocks[0].minutes == 10
        assert session.minutes <= 40
        assert session.swings > 0


def test_easy_comes_first_and_varied_last():
    phases = [session.phase for session in make_plan().sessions]
    assert phases == sorted(phases, key=list(Phase).index)
    assert set(phases) == set(Phase)


def test_first_and_last_session_are_filmed():
    plan = make_plan()
    assert plan.sessions[0].films
    assert plan.sessions[-1].films
    assert sum(session.films for session in plan.sessions) == 3


def test_a_drill_without_a_ball_never_gets_one():
    plan = make_plan("head-against-foam")
    kinds = {block.kind for session in plan.sessions for block in session.blocks}
    assert BlockKind.BALL not in kinds
    assert any("No ball" in caution for caution in plan.cautions)


def test_the_page_says_every_caution_once_and_what_means_one_drill_beside_it():
    plan = make_plan("noodle-behind-hip", "head-against-foam", "long-arms-through")
    page = plan_page(plan)
    lines = [html.unescape(line) for line in re.findall("<li>(.*?)</li>", page)]
    assert {line: n for line in lines if (n := lines.count(line)) > 1} == {}
    assert {*plan.cautions, *plan.stop_on} <= set(lines)
    assert sum("two club lengths" in line for line in lines) == 1
    foam = find_drill(DRILLS, "head-against-foam").said().name
    assert page.index(f"<h2>{html.escape(foam)}</h2>") < page.index("No ball with this drill.")


def test_juniors_have_their_limit_and_are_warned_above_their_age_in_hours():
    """Jayanthi et al. 2015 (REFERENCES 4.1): weekly hours above the age in years."""
    junior = make_plan(birth_year=2014, sport_hours_a_week=10.5)
    limit = find_drill(DRILLS, "noodle-behind-hip").juniors.most_swings
    first = junior.sessions[0]
    assert sum(b.swings for b in first.blocks if b.drill) <= limit
    # 11 years old: 10.5 hours and about two of practice are more than 11.
    assert any("more than 11" in line for line in junior.warnings)
    assert make_plan(birth_year=2014, sport_hours_a_week=5).warnings == ()
    assert make_plan(birth_year=1980, sport_hours_a_week=60).warnings == ()


def test_a_sore_back_leaves_out_what_asks_much_of_it():
    plan = make_plan("eyes-and-shoulder-set", "long-arms-through", back=True)
    assert [drill.id for drill in plan.drills] == ["long-arms-through"]
    assert "asks much of the back" in plan.left_out[0]
    with pytest.raises(RecordError, match="no drill is left"):
        make_plan("eyes-and-shoulder-set", back=True)


def test_after_a_lay_off_the_first_sessions_are_about_half():
    usual, careful = make_plan().sessions[0], make_plan(lay_off=True).sessions[0]
    drill = [sum(b.swings for b in s.blocks if b.drill) for s in (usual, careful)]
    assert drill[1] <= 0.5 * drill[0]


def test_every_reason_names_its_source_or_says_that_there_is_none():
    for line in make_plan().reasons:
        assert any(year in line for year in ("1992", "2000", "2006", "2008", "2012")) or (
            "without a source" in line
        )


def test_too_little_time_is_said():
    with pytest.raises(RecordError, match="20 minutes a week are too few"):
        make_plan(minutes_a_week=20)


def read_ics(data):
    """Read an iCalendar file by the rules of RFC 5545, 3.1 and 3.3.11, alone."""
    assert b"\n" not in data.replace(b"\r\n", b"")  # every line ends in CRLF
    assert max(len(line) for line in data.split(b"\r\n")) <= 75  # octets, 3.1
    unfolded = data.replace(b"\r\n ", b"").replace(b"\r\n\t", b"").decode("utf-8")
    events, open_event = [], None
    for line in unfolded.split("\r\n"):
        name, _, value = line.partition(":")
        if line == "BEGIN:VEVENT":
            open_event = {}
        elif line == "END:VEVENT":
            events.append(open_event)
            open_event = None
        elif open_event is not None and name:
            for mark, char in (("\\n", "\n"), ("\\,", ","), ("\\;", ";"), ("\\\\", "\\")):
                value = value.replace(mark, char)
            open_event[name.partition(";")[0]] = value
    return unfolded, events


def test_the_calendar_is_read_by_rules_of_its_own():
    plan = make_plan()
    data = plan_calendar(plan, made_at=datetime(2026, 11, 14, 12, tzinfo=UTC), plan_id="x")
    text, events = read_ics(data)
    assert text.startswith("BEGIN:VCALENDAR\r\n")
    assert "VERSION:2.0\r\n" in text
    assert text.endswith("END:VCALENDAR\r\n")
    assert len(events) == len(plan.sessions) + 1
    for session, event in zip(plan.sessions, events, strict=False):
        begin = datetime.strptime(event["DTSTART"], "%Y%m%dT%H%M%S")  # floating, no Z
        end = datetime.strptime(event["DTEND"], "%Y%m%dT%H%M%S")
        assert begin.date() == session.on
        assert end - begin == timedelta(minutes=session.minutes)
        assert session.blocks[1].words in event["DESCRIPTION"]
    assert events[-1]["DTSTART"] == "20261206"
    assert len({event["UID"] for event in events}) == len(events)
    assert len(list(Calendar.from_ical(data).walk("VEVENT"))) == len(events)


def test_another_calendar_library_reads_the_same_sessions():
    # vobject parses RFC 5545 on its own; the calendar is written with icalendar.
    plan = make_plan()
    data = plan_calendar(plan, made_at=datetime(2026, 11, 14, 12, tzinfo=UTC), plan_id="x")
    events = vobject.readOne(data.decode()).vevent_list
    assert len(events) == len(plan.sessions) + 1
    for session, event in zip(plan.sessions, events, strict=False):
        assert event.dtstart.value.date() == session.on
        assert event.dtend.value - event.dtstart.value == timedelta(minutes=session.minutes)
        assert session.blocks[1].words in event.description.value


def test_the_same_plan_written_again_replaces_itself():
    plan, later = make_plan(), datetime(2026, 11, 20, tzinfo=UTC)
    first = read_ics(plan_calendar(plan, made_at=later, plan_id="x"))[1]
    other = read_ics(plan_calendar(plan, made_at=later, plan_id="y"))[1]
    again = read_ics(plan_calendar(plan, made_at=later, plan_id="x"))[1]
    assert [e["UID"] for e in first] == [e["UID"] for e in again]
    assert {e["UID"] for e in first}.isdisjoint(e["UID"] for e in other)


def test_in_one_list_a_caution_says_which_of_several_drills_it_means():
    several = make_plan("noodle-behind-hip", "head-against-foam").cautions_in_one_list
    foam = find_drill(DRILLS, "head-against-foam").said().name
    assert [line for line in several if "No ball" in line] == [f"{foam}: No ball with this drill."]
    assert sum("two club lengths" in line for line in several) == 1
    assert not any(foam in line for line in several if "No ball" not in line)
    alone = make_plan("head-against-foam").cautions_in_one_list
    assert "No ball with this drill." in alone
