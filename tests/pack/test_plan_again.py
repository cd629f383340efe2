"""A plan that was stored in English reads in German as if it had been planned in it."""

from datetime import date

import pytest

from lessonmark.drills.dose import Wish
from lessonmark.drills.library import read_library
from lessonmark.drills.plan import plan_practice
from lessonmark.language import SOURCE_LANGUAGE, speaking
from lessonmark.pack.plan_again import plan_again

WISH = Wish(
    start=date(2026, 5, 5),
    next_lesson=date(2026, 6, 5),
    minutes_a_week=120,
    days_a_week=3,
    birth_year=2014,
    sport_hours_a_week=20.0,
    lay_off=True,
    back=True,
)
GROWN = Wish(
    start=date(2026, 5, 5), next_lesson=date(2026, 6, 5), minutes_a_week=120, days_a_week=3
)


@pytest.mark.parametrize("wish", [WISH, GROWN], ids=["junior", "grown"])
@pytest.mark.parametrize("drill", read_library(), ids=lambda drill: drill.id)
def test_a_stored_plan_is_said_again(drill, wish):
    """The oracle is the planner itself, speaking German from the start."""
    # Beside one that nobody is kept from, so that a plan is left where this drill is left out.
    drills = [next(one for one in read_library() if one.id == "slow-motion"), drill]
    with speaking(SOURCE_LANGUAGE):
        stored = plan_practice(drills, wish)
    with speaking("de"):
        assert plan_again(stored, read_library()) == plan_practice(drills, wish)
    assert plan_again(stored, read_library()) == stored
