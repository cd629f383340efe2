"""Recorded passages are kept, replaced one by one, handed over and erased with their lesson."""

import hashlib
from datetime import UTC, datetime

import pytest
from sqlalchemy import select

from lessonmark.errors import RecordError
from lessonmark.lessons.backup import back_up, check_record, restore
from lessonmark.lessons.erasure import erase_player
from lessonmark.lessons.listing import NotInRecord
from lessonmark.lessons.passages import (
    NewPassage,
    keep_passage,
    move_passage,
    remove_passage,
    sound_path,
)
from lessonmark.lessons.privacy import export_player, import_player
from lessonmark.lessons.record import Lesson, PackOrder, PackState, Passage
from lessonmark.lessons.shared_files import SharedFiles
from lessonmark.lessons.store import Record, open_record
from lessonmark.words import View


def new(caption):
    return NewPassage(
        at="side_bend@P6",
        view=View.FACE_ON,
        duration_s=3.5,
        caption=caption,
        take='{"shown": []}',
    )


@pytest.fixture
def say_something(record, tmp_path):
    """Keep a passage whose sound is its caption, in bytes."""

    def keep(lesson_id, caption, *, instead_of=None, voice=True):
        path = tmp_path / "incoming.webm"
        path.write_bytes(caption.encode())
        sound = (path, hashlib.sha256(caption.encode()).hexdigest(), ".webm")
        return keep_passage(
            record,
            lesson_id,
            new(caption),
            sound=sound if voice else None,
            instead_of=instead_of,
        )

    return keep


def said(record, lesson_id=1):
    """Captions in order, each with the sound that goes with it."""
    with record.reading() as session:
        lesson = session.get_one(Lesson, lesson_id)
        return [
            (row.caption, sound_path(record.files, lesson, row).read_text() if row.sound else None)
            for row in lesson.passages
        ]


def sounds(record):
    return sorted(path.read_text() for path in record.files.folder.rglob("voice/*"))


def test_recording_one_passage_anew_replaces_only_that(record, add_player, say_something):
    add_player()
    keys = [say_something(1, words) for words in ("first", "second", "third")]
    assert say_something(1, "second, better", instead_of=keys[1]) == keys[1]
    assert said(record) == [
        ("first", "first"),
        ("second, better", "second, better"),
        ("third", "third"),
    ]
    assert sounds(record) == ["first", "second, better", "third"]


def test_passages_change_places_and_go(record, add_player, say_something):
    add_player()
    keys = [say_something(1, words) for words in ("first", "second", "third")]
    move_passage(record, keys[2], place_of=keys[0])
    assert [words for words, _ in said(record)] == ["third", "second", "first"]
    remove_passage(record, keys[1])
    assert [words for words, _ in said(record)] == ["third", "first"]
    assert sounds(record) == ["first", "third"]
    with pytest.raises(NotInRecord, match="no such passage"):
        remove_passage(record, keys[1])


def test_the_same_sound_twice_stays_for_the_other_passage(record, add_player, say_something):
    add_player()
    keys = [say_something(1, "hm"), say_something(1, "hm")]
    remove_passage(record, keys[0])
    assert said(record) == [("hm", "hm")]


def test_a_passage_of_another_lesson_is_never_replaced(record, add_player, say_something):
    add_player(lessons=2)
    key = say_something(1, "first lesson")
    with pytest.raises(NotInRecord):
        say_something(2, "second lesson", instead_of=key)
    assert said(record, 1) == [("first lesson", "first lesson")]


def test_a_passage_may_have_no_voice(record, add_player, say_something):
    add_player()
    say_something(1, "only words", voice=False)
    assert said(record) == [("only words", None)]
    with record.reading() as session, pytest.raises(NotInRecord, match="sound"):
        sound_path(record.files, session.get_one(Lesson, 1), session.scalars(select(Passage)).one())


def test_there_is_an_end_to_talking(record, add_player, say_something, monkeypatch):
    monkeypatch.setattr("lessonmark.lessons.passages.PASSAGES_MAX", 1)
    add_player()
    say_something(1, "first")
    with pytest.raises(RecordError, match="1 passages already"):
        say_something(1, "second")
    assert said(record) == [("first", "first")]


def order(**more):
    return PackOrder(
        lesson_id=1,
        language="de",
        papers="a4",
        with_name=False,
        with_voice=True,
        talking_points="what Wilma should hear at once",
        message="Hello Wilma, here it is",
        **more,
    )


def test_voice_and_pack_are_handed_over(record, add_player, say_something, tmp_path):
    player_id = add_player()
    say_something(1, "well done, Wilma")
    with record.writing() as session:
        session.add(order(state=PackState.WORKING, made_at=datetime(2026, 5, 4, tzinfo=UTC)))
    path = export_player(record, player_id, tmp_path / "player.zip")
    elsewhere = open_record(tmp_path / "elsewhere")
    import_player(elsewhere, path)
    assert said(elsewhere) == [("well done, Wilma", "well done, Wilma")]
    with elsewhere.reading() as session:
        there = session.get_one(PackOrder, 1)
        assert there.talking_points == "what Wilma should hear at once"
        assert there.state is PackState.STOPPED  # nobody asked for it on that machine
    elsewhere.close()


def test_voice_and_pack_are_erased_without_a_trace(record, add_player, say_something):
    player_id = add_player()
    say_something(1, "well done, Wilma")
    with record.writing() as session:
        session.add(order())
    report = erase_player(record, player_id)
    assert report.proven
    assert (report.rows["passage"], report.rows["pack_order"]) == (1, 1)
    content = b"".join(p.read_bytes() for p in record.files.folder.rglob("*") if p.is_file())
    assert b"Wilma" not in content


def test_voice_comes_back_from_a_backup(record, add_player, say_something, tmp_path):
    add_player()
    say_something(1, "well done")
    restore(back_up(record, tmp_path / "backup.zip"), tmp_path / "again")
    assert check_record(tmp_path / "again") == []
    again = open_record(tmp_path / "again")
    assert said(again) == [("well done", "well done")]
    again.close()


def test_a_shared_store_gets_the_sound_and_gives_it_up(tmp_path, record, add_player):
    add_player()
    shared = SharedFiles(tmp_path / "data", f"file://{tmp_path / 'store'}")
    sharing = Record(record.engine, shared)
    path = tmp_path / "incoming.webm"
    keys = []
    for words in (b"first", b"second"):
        path.write_bytes(words)
        sound = (path, hashlib.sha256(words).hexdigest(), ".webm")
        keys.append(keep_passage(sharing, 1, new(words.decode()), sound=sound))
    far = [name for name in shared.far() if "/voice/" in name]
    assert len(far) == 2
    remove_passage(sharing, keys[0])
    left = [name for name in shared.far() if "/voice/" in name]
    assert left == [name for name in far if hashlib.sha256(b"second").hexdigest() in name]
