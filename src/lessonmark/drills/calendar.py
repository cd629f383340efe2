"""The plan as an iCalendar file (RFC 5545), for the player's own calendar.

Times are floating: six in the evening wherever the player is. No name is written.
"""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, time, timedelta

from icalendar import Calendar, Event

from lessonmark import __version__
from lessonmark.drills.plan import PracticePlan, Session
from lessonmark.language import say

__all__ = ["plan_calendar"]

USUAL_START = time(18, 0)
_SPACE = uuid.UUID("5d0f4b8e-6c1b-5f0e-9a57-2f6c3d1b7a40")  # any fixed one: ids stay the same


def plan_calendar(
    plan: PracticePlan, *, made_at: datetime, starts: time = USUAL_START, plan_id: str = ""
) -> bytes:
    """Write a plan as an iCalendar file.

    Parameters
    ----------
    made_at : when, with a time zone.
    starts : time of day of every session, local.
    plan_id : tells two players' plans apart; the same plan written again replaces itself.
    """
    if made_at.tzinfo is None:
        raise ValueError("the moment of making needs its time zone")
    calendar = Calendar()
    calendar.add("prodid", f"-//Lessonmark//lessonmark {__version__}//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    stamp = made_at.astimezone(UTC)
    for number, session in enumerate(plan.sessions, start=1):
        begin = datetime.combine(session.on, starts)
        event = Event()
        event.add("uid", f"{uuid.uuid5(_SPACE, f'{plan_id} {session.on}')}@lessonmark")
        event.add("dtstamp", stamp)
        event.add("dtstart", begin)
        event.add("dtend", begin + timedelta(minutes=session.minutes))
        event.add(
            "summary",
            say("Practice {number} of {of}", number=number, of=len(plan.sessions))
            + (f" ({say('film')})" if session.films else ""),
        )
        event.add("description", _words(session, plan))
        calendar.add_component(event)
    lesson = Event()
    lesson.add("uid", f"{uuid.uuid5(_SPACE, f'{plan_id} lesson {plan.next_lesson}')}@lessonmark")
    lesson.add("dtstamp", stamp)
    lesson.add("dtstart", plan.next_lesson)
    lesson.add("dtend", plan.next_lesson + timedelta(days=1))
    lesson.add("summary", say("Next lesson: film the first swings before anything else"))
    calendar.add_component(lesson)
    return bytes(calendar.to_ical())


def _words(session: Session, plan: PracticePlan) -> str:
    lines = [f"- {block.words}" for block in session.blocks]
    return "\n".join((*lines, "", *plan.stop_on))
