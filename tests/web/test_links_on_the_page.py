"""What moves with what, and the coach's chain, through the real routes."""

import pytest
from sqlalchemy import select

from lessonmark.lessons.record import CauseStep

CHAIN = {
    "words": ["early slide", "bends late", ""],
    "shown_by": ["face-on pelvis_shift@P4", "face-on side_bend@P6", ""],
    "way": ["more", "less", "more"],
}


def test_the_chain_is_kept_and_held_against_the_swings(coach, lesson, record):
    page = coach.post("/lessons/1/causes", CHAIN).text
    with record.reading() as session:
        steps = session.scalars(select(CauseStep).order_by(CauseStep.rank)).all()
        assert [(s.words, s.at, s.way) for s in steps] == [
            ("early slide", "pelvis_shift@P4", "more"),
            ("bends late", "side_bend@P6", "less"),
        ]
    # Six swings in two stages: four beyond the stages' means, two fewer than a link needs.
    assert "Early slide and bends late: these swings cannot speak to it" in page
    assert "need not be cause and effect" in page
    assert 'value="early slide"' in page
    gone = coach.post("/lessons/1/causes", {"words": [""], "shown_by": [""], "way": ["more"]}).text
    assert "these swings cannot speak" not in gone


@pytest.mark.parametrize(
    ("words", "shown_by"),
    [
        (["early slide"], ["face-on pelvis_shift@P4"]),
        (["a", "b"], ["face-on pelvis_shift@P4", "face-on nonsense"]),
        (["a", ""], ["face-on pelvis_shift@P4", "face-on side_bend@P6"]),
        (["a", "b"], ["face-on side_bend@P6", "face-on side_bend@P6"]),
    ],
    ids=["one step", "unknown measure", "no words", "the same twice"],
)
def test_a_chain_that_is_none_is_refused_and_the_old_one_stays(
    coach, lesson, record, words, shown_by
):
    coach.post("/lessons/1/causes", CHAIN)
    answer = coach.post(
        "/lessons/1/causes", {"words": words, "shown_by": shown_by, "way": ["more"] * len(words)}
    )
    assert answer.status_code == 409
    with record.reading() as session:
        assert len(session.scalars(select(CauseStep)).all()) == 2


def test_the_pairs_that_were_looked_at_are_said(coach, lesson):
    page = coach.post(
        "/lessons/1/focus",
        {
            "measure": ["face-on side_bend@P6", "face-on pelvis_shift@P4"],
            "direction": ["more", "less"],
            "smallest": ["3", "2"],
        },
    ).text
    assert "What moves with what" in page
    assert "cannot tell what moves with what" in page
    assert "The numbers, for the coach and for checking" in page
    assert "common practice, no source" in page  # the first lesson: no scatter of the player's own
