"""What the record says of a drill over many players: seeded rows, counted by hand."""

from datetime import UTC, datetime, timedelta

import pytest
from pydantic import TypeAdapter
from sqlalchemy import select

from lessonmark.drills.library import read_library
from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.scatter import ScatterSource, population_prior
from lessonmark.evidence.scatter_wording import scatter_sentence
from lessonmark.lessons.drill_record import drill_record, drill_results
from lessonmark.lessons.drill_words import drill_effect_lines
from lessonmark.lessons.own_scatter import own_scatters
from lessonmark.lessons.record import (
    Clip,
    ClipState,
    DrillSet,
    Focus,
    Lesson,
    LessonKind,
    Media,
    Player,
    Swing,
)
from lessonmark.words import Stage, View

LIBRARY = read_library()
DRILL = next(
    one
    for one in LIBRARY
    if any(str(c.at) == "side_bend@P6" and c.view is View.FACE_ON for c in one.changes)
)
STARTED = datetime(2026, 3, 2, 9, tzinfo=UTC)
CHANGE: TypeAdapter[Change] = TypeAdapter(Change)


def change(verdict, *, wanted=True):
    settled = verdict is Verdict.CHANGED
    return Change(
        verdict=verdict,
        count_a=5,
        count_b=5,
        difference=8.0,
        low=6.0,
        high=10.0,
        smallest_worth=4.0,
        direction="more",
        as_wanted=wanted if settled else None,
        camera_part=0.0,
    )


@pytest.fixture
def add_lesson(record):
    """Add a player's lesson: 5 swings before and after, a drill, a focus judged as told."""
    count = iter(range(10_000))

    def add(player_id, day, *, before, after=None, verdict=None, wanted=True, drill=DRILL.id):
        with record.writing() as session:
            if session.get(Player, player_id) is None:
                session.add(Player(id=player_id, name=f"P{player_id}"))
            lesson = Lesson(
                player_id=player_id,
                started_at=STARTED + timedelta(days=day),
                kind=LessonKind.LESSON,
            )
            if verdict is not None:
                lesson.drills = [DrillSet(rank=1, drill=drill, name="as it was called")]
                lesson.focus = [
                    Focus(
                        rank=1,
                        at="side_bend@P6",
                        view=View.FACE_ON,
                        direction="more",
                        change=CHANGE.dump_json(change(verdict, wanted=wanted)).decode(),
                    )
                ]
            for stage, mean in ((Stage.BEFORE, before), (Stage.AFTER, after)):
                for k in range(5 if mean is not None else 0):
                    sha256 = f"{next(count):064x}"
                    session.add(Media(sha256=sha256, size_bytes=1, suffix=".mp4"))
                    session.flush()
                    clip = Clip(
                        sha256=sha256,
                        name="x.mp4",
                        filmed_at=lesson.started_at + timedelta(minutes=k),
                        view=View.FACE_ON,
                        stage=stage,
                        state=ClipState.DONE,
                        player_id=player_id,
                        finding="{}",
                    )
                    value = mean + (k - 2) * 0.5
                    clip.swings = [
                        Swing(number=1, finding="", numbers={"side_bend@P6": [value, 0.5, 0.2]})
                    ]
                    lesson.clips.append(clip)
            session.add(lesson)

    return add


def results(record):
    with record.reading() as session:
        return drill_results(session, LIBRARY)


def test_a_lesson_is_read_with_what_stayed_of_it(record, add_lesson):
    add_lesson(1, 0, before=10, after=18, verdict=Verdict.CHANGED)
    add_lesson(1, 14, before=17)  # nearly all still there
    add_lesson(2, 0, before=10, after=18, verdict=Verdict.CHANGED)
    add_lesson(2, 14, before=10.5)  # nearly all gone
    add_lesson(3, 0, before=10, after=18, verdict=Verdict.CHANGED)  # nobody looked again
    add_lesson(4, 0, before=10, after=10, verdict=Verdict.NOT_CHANGED)
    add_lesson(5, 0, before=10, after=12, verdict=Verdict.NOT_SETTLED)
    add_lesson(6, 0, before=10, after=2, verdict=Verdict.CHANGED, wanted=False)
    found = [(one.player, one.moved, one.lasted) for one in results(record)]
    assert found == [
        ("1", True, True),
        ("2", True, False),
        ("3", True, None),
        ("4", False, None),
        ("5", None, None),
        ("6", False, None),
    ]
    assert {one.size for one in results(record)} == {2.0}  # 8 degrees of 4 worth having


def test_a_later_lesson_of_the_same_day_is_no_retest(record, add_lesson):
    add_lesson(1, 0, before=10, after=18, verdict=Verdict.CHANGED)
    add_lesson(1, 0.2, before=18)
    assert [one.lasted for one in results(record)] == [None]


def test_a_drill_that_is_not_for_the_focus_is_not_credited(record, add_lesson):
    other = next(one for one in LIBRARY if all(c.at.measure != "side_bend" for c in one.changes))
    add_lesson(1, 0, before=10, after=18, verdict=Verdict.CHANGED, drill=other.id)
    add_lesson(2, 0, before=10, after=18, verdict=Verdict.CHANGED, drill="")
    assert results(record) == ()


def test_too_few_players_are_refused_with_their_number(record, add_lesson):
    for player in range(1, 5):
        add_lesson(player, 0, before=10, after=18, verdict=Verdict.CHANGED)
    with record.reading() as session:
        (row,) = drill_record(session, LIBRARY)
    assert row.effect.moved is None
    assert "4 of at least 5 players" in row.effect.reason
    assert "4 of at least 5 players" in drill_effect_lines(record.files.folder, None)[0]


def test_a_single_drill_is_not_pooled_and_has_jeffreys_interval(record, add_lesson):
    for player in range(1, 11):
        moved = Verdict.CHANGED if player <= 7 else Verdict.NOT_CHANGED
        add_lesson(player, 0, before=10, after=18, verdict=moved)
    with record.reading() as session:
        (row,) = drill_record(session, LIBRARY)
    moved = row.effect.moved
    # Beta(7.5, 3.5), 2.5 % and 97.5 % points, as Brown, Cai & DasGupta 2001 (Stat Sci 16:101-133)
    # define the interval; the two numbers computed with scipy.stats.beta.ppf.
    assert (moved.share, moved.pooled) == (0.7, False)
    assert (moved.low, moved.high) == pytest.approx((0.3942, 0.9073), abs=1e-4)
    assert "7 of 10 players" in drill_effect_lines(record.files.folder, None)[0]


def test_own_scatter_comes_from_earlier_lessons_alone(record, add_lesson):
    add_lesson(1, 0, before=10, after=18, verdict=Verdict.CHANGED)
    add_lesson(1, 14, before=17, after=19, verdict=Verdict.CHANGED)
    add_lesson(2, 7, before=50, after=90, verdict=Verdict.CHANGED)  # another player
    with record.reading() as session:
        first, second = session.scalars(
            select(Lesson).where(Lesson.player_id == 1).order_by(Lesson.started_at)
        )
        assert own_scatters(first) == {}
        (scatter,) = own_scatters(second).values()
    # Gelman et al. 2013, 2.6: variances pool by their degrees of freedom. Prior 3 degrees with 4;
    # two stages of five swings half a degree apart: variance 0.625 with 4 each.
    assert scatter.source is ScatterSource.BOTH
    assert scatter.df == 12
    assert scatter.sd == pytest.approx(((4 * 9 + 8 * 0.625) / 12) ** 0.5)
    assert "67 % of it is their own" in scatter_sentence(scatter, "side bend at P6", "deg")
    usual = scatter_sentence(population_prior("deg"), "side bend at P6", "deg")
    assert "common practice, no source" in usual
