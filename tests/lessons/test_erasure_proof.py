"""What the proof of an erasure searches for, and what it takes for somebody else's."""

import pytest
from sqlalchemy import JSON, Enum, String

from lessonmark.lessons import erasure
from lessonmark.lessons.erasure import erase_player
from lessonmark.lessons.erasure_proof import WORDS, traces_of
from lessonmark.lessons.record import Base, PackOrder, Passage, Player
from lessonmark.lessons.whose import path_to_player

ON_ALL = pytest.mark.parametrize("database", ["sqlite", "postgres", "sealed"], indirect=True)


@pytest.fixture
def add_talked_to(record, add_player):
    """Add a player whose lesson has a recorded passage and a pack, their name in the words."""

    def add(name="Wilma Testerly", **how):
        player_id = add_player(name, **how)
        with record.writing() as session:
            (lesson,) = session.get_one(Player, player_id).lessons
            lesson.passages = [
                Passage(rank=1, view=None, duration_s=2.0, take="{}", caption=f"look here, {name}")
            ]
            lesson.pack = PackOrder(
                language="en",
                papers="a4",
                with_name=True,
                with_voice=False,
                talking_points=f"Say first to {name}: well done.",
                message=f"Dear {name}, here is your pack.",
            )
        return player_id

    return add


# Columns of a player's rows that hold text, and nothing of theirs to search for.
NOBODYS = {
    "attempt.checkpoint": "a sentence of the drill library",
    "attempt.drill": "an id of the drill library",
    "audit_entry.did": "a route",
    "cause_step.at": "an id of the catalogue",
    "cause_step.way": "more or less",
    "account.password": "a hash with a salt of its own",
    "account.role": "coach or player",
    "clip.finding": "numbers; its clip's file is searched for by its hash",
    "clip.measured_with": "versions",
    "clip.problem": "a sentence of the program; the clip's name in it is searched for",
    "clip.problem_do": "a sentence of the program",
    "clip.sha256": "searched for wherever media are",
    "clip.stick": "pixels",
    "clip.taken_by": "a machine's name",
    "correction.name": "a landmark",
    "drill_set.drill": "an id of the drill library",
    "erasure.plan": "what is still to go, emptied with the rows",
    "erasure.report": "numbers",
    "focus.at": "an id of the catalogue",
    "focus.change": "numbers",
    "focus.direction": "more or less",
    "former_finding.findings": "the names in it are searched for",
    "former_finding.measured_with": "versions",
    "lesson.club": "7-iron is everybody's",
    "lesson.problem": "a sentence of the program",
    "lesson.problem_do": "a sentence of the program",
    "lesson_finding.findings": "the names in it are searched for",
    "lesson_finding.measured_with": "versions",
    "pack_order.coach": "the coach's name",
    "pack_order.doing": "a sentence of the program",
    "pack_order.language": "a code",
    "pack_order.papers": "a code",
    "pack_order.problem": "a sentence of the program",
    "pack_order.problem_do": "a sentence of the program",
    "passage.at": "an id of the catalogue",
    "passage.take": "what was on the screen, in numbers",
    "picture_choice.after": "a clip's name and a number",
    "picture_choice.at": "an id of the catalogue",
    "picture_choice.before": "a clip's name and a number",
    "planned_practice.plan": "drills of the library and days",
    "swing.finding": "numbers",
    "swing.left_out": "a sentence of the program",
    "swing.numbers": "numbers",
    "target_window.at": "an id of the catalogue",
}


def test_every_column_of_a_players_words_is_searched_for_or_says_why_not():
    """A new table, or a column more, must be decided on here."""
    searched = {f"{one.class_.__tablename__}.{one.key}" for one in WORDS}
    there = set()
    for mapper in Base.registry.mappers:
        try:
            path_to_player(mapper.class_)
        except LookupError:
            continue
        there |= {
            f"{column.table.name}.{column.name}"
            for column in mapper.local_table.columns
            if isinstance(column.type, (String, JSON)) and not isinstance(column.type, Enum)
        }
    assert searched & set(NOBODYS) == set()
    assert there == searched | set(NOBODYS)


def test_words_of_passages_drills_causes_and_packs_are_searched_for(record, add_talked_to):
    player_id = add_talked_to()
    with record.reading() as session:
        traces = set(traces_of(session, player_id))
    assert {
        "look here, Wilma Testerly",
        "Say first to Wilma Testerly: well done.",
        "Dear Wilma Testerly, here is your pack.",
        "as Wilma Testerly likes",
        "early slide of Wilma Testerly",
        "towel behind the ball of Wilma Testerly",
        "feet together",
        "short irons",
        "IMG_0.MP4",
    } <= traces


def test_a_name_from_before_a_player_was_renamed_is_searched_for(record, add_player):
    player_id = add_player()
    with record.writing() as session:
        (lesson,) = session.get_one(Player, player_id).lessons
        lesson.former[
            0
        ].findings = (
            '{"player": {"name": "Wilma Oldname"}, "lesson_title": "for Oldname", "drill": ""}'
        )
    with record.reading() as session:
        traces = traces_of(session, player_id)
    assert {"Wilma Oldname", "for Oldname"} <= set(traces)
    assert "" not in traces


def test_words_with_quotes_and_lines_are_searched_for_as_json_writes_them(record, add_player):
    player_id = add_player()
    with record.writing() as session:
        (lesson,) = session.get_one(Player, player_id).lessons
        lesson.note = 'first "line"\nthen more'
    with record.reading() as session:
        traces = traces_of(session, player_id)
    assert {'first "line"\nthen more', 'first \\"line\\"\\nthen more'} <= set(traces)


def test_a_packs_words_that_stay_in_the_file_are_found(record, add_talked_to, monkeypatch):
    monkeypatch.setattr(erasure, "rebuild", lambda record: None)
    monkeypatch.setattr(erasure, "AGAIN_AFTER_S", 0.0)
    player_id = add_talked_to()
    message = "x" * 40 + "only the pack says so"
    with record.writing() as session:
        session.connection().exec_driver_sql("PRAGMA secure_delete = OFF")
        (lesson,) = session.get_one(Player, player_id).lessons
        lesson.pack.message = message
    report = erase_player(record, player_id)
    assert any(f"text of {len(message)} characters" in place for place in report.left)


@ON_ALL
def test_words_that_another_player_has_too_are_theirs(record, add_talked_to):
    """The same title, drill, clip's name and message; and a title that is a table's own name."""
    player_id = add_talked_to()
    keeper_id = add_talked_to("Someone Else", first_byte=100)
    same = "We went through the whole swing today."
    with record.writing() as session:
        for owner in (player_id, keeper_id):
            (lesson,) = session.get_one(Player, owner).lessons
            lesson.pack.message = same
        (lesson,) = session.get_one(Player, player_id).lessons
        lesson.title = "practice"
    report = erase_player(record, player_id)
    assert report.left == ()
    with record.reading() as session:
        (lesson,) = session.get_one(Player, keeper_id).lessons
        assert (lesson.title, lesson.pack.message) == ("short irons", same)


@ON_ALL
def test_another_players_words_about_the_one_who_goes_are_found(
    record, add_player, add_talked_to, monkeypatch
):
    monkeypatch.setattr(erasure, "AGAIN_AFTER_S", 0.0)
    player_id = add_talked_to()
    keeper_id = add_player("Somebody Else", first_byte=100)
    with record.writing() as session:
        (lesson,) = session.get_one(Player, keeper_id).lessons
        lesson.title = "as Wilma Testerly does it"
    assert not erase_player(record, player_id).proven


@pytest.mark.parametrize(
    ("name", "title", "note"),
    [
        ("Someone Else", "short game and driver", ""),  # words that anybody uses
        ("Wilma Testerly", "", ""),  # two people of one name
        ("Someone Else", "", "plays with Wilma Testerly"),  # written freely of who stays
    ],
)
def test_what_is_another_players_keeps_no_erasure_open(
    record, add_talked_to, add_player, name, title, note
):
    player_id = add_talked_to()
    keeper_id = add_player(name, first_byte=100)
    with record.writing() as session:
        session.get_one(Player, player_id).lessons[0].title = "short game"
        keeper = session.get_one(Player, keeper_id)
        keeper.note = note
        keeper.lessons[0].title = title
    assert erase_player(record, player_id).left == ()


def test_rows_that_stay_are_found(record, add_player, monkeypatch):
    """Guards the proof: nothing was deleted, and who was to go does not count as another."""
    monkeypatch.setattr(erasure, "AGAIN_AFTER_S", 0.0)
    monkeypatch.setattr(erasure, "_delete_rows", lambda *_: {})
    assert not erase_player(record, add_player()).proven
