"""A player is erased while this program is at their clips: measured, judged, packed, sent in.

Each piece of work is held back until the player is on the way out and lasts longer than the
searches for traces do, as on a slow laptop: whatever it writes then would lie there for good.
"""

import threading
import time

import pytest
from sqlalchemy import select

from lessonmark.errors import RecordError
from lessonmark.lessons import erasure, under_way
from lessonmark.lessons.arrivals import measure_anew
from lessonmark.lessons.erasure import erase_player
from lessonmark.lessons.passages import NewPassage, keep_passage
from lessonmark.lessons.privacy import export_player, import_player
from lessonmark.lessons.record import Clip, Erasure, Lesson, LessonFinding, PackOrder, Player
from lessonmark.lessons.store import open_record
from lessonmark.lessons.work import Workshop
from lessonmark.pack.packer import Packer

LONGER_S = 1.0  # than all searches together, as set below
WITHIN_S = 20.0


@pytest.fixture(autouse=True)
def short_searches(monkeypatch):
    monkeypatch.setattr(erasure, "SEARCHES", 4)
    monkeypatch.setattr(erasure, "AGAIN_AFTER_S", 0.05)


@pytest.fixture
def held_back(record, monkeypatch):
    """Wrap a function so that it goes on only long after the erasure has begun."""
    begun = threading.Event()

    def going():
        with record.reading() as session:
            player = session.get(Player, 1)
            return player is None or player.erasing_since is not None

    def hold():
        begun.set()
        until = time.monotonic() + WITHIN_S
        while not going() and time.monotonic() < until:
            time.sleep(0.01)
        time.sleep(LONGER_S)

    def wrap(owner, name, *, files_after=None):
        real = getattr(owner, name)

        def later(*args, **more):
            hold()
            if files_after is not None:
                files_after(*args)
            return real(*args, **more)

        monkeypatch.setattr(owner, name, later)
        return begun

    return wrap


def erased_during(record, begun, work):
    """Erase the player while `work` goes on in a thread of its own."""
    troubles = []

    def run():
        try:
            work()
        except Exception as err:
            troubles.append(err)

    thread = threading.Thread(target=run)
    thread.start()
    assert begun.wait(WITHIN_S)
    report = erase_player(record, 1)
    thread.join(WITHIN_S)
    assert not thread.is_alive()
    return report, troubles


def left_over(record):
    """List files and folders of anybody."""
    return [
        str(path.relative_to(record.files.folder))
        for kind, pattern in (("files", "*/*"), ("derived", "*"), ("lessons", "*"))
        for path in (record.files.folder / kind).glob(pattern)
    ]


def write_into(job, *_):
    """Write as an analysis does that has not heard yet."""
    job.derived.mkdir(exist_ok=True)
    (job.derived / "track.nc").write_bytes(b"where the joints of this player were")


@pytest.fixture
def gone(record, lesson):
    def check(report):
        assert report.proven, report.left
        assert left_over(record) == []

    return check


def test_while_a_clip_is_measured(record, analyser, held_back, gone):
    with record.writing() as session:
        measure_anew(session, 1)
    begun = held_back(analyser, "analyse_clip", files_after=write_into)
    report, _ = erased_during(record, begun, Workshop(record, analyser).work_through)
    gone(report)


def test_while_the_frames_of_a_clip_are_made(record, analyser, held_back, gone):
    with record.writing() as session:
        measure_anew(session, 1)
    begun = held_back(analyser, "frame_pack", files_after=write_into)
    report, _ = erased_during(record, begun, Workshop(record, analyser).work_through)
    gone(report)


def test_while_the_viewer_asks_for_frames(record, coach, analyser, held_back, gone):
    begun = held_back(analyser, "frame_pack", files_after=write_into)
    answers = []
    report, _ = erased_during(
        record, begun, lambda: answers.append(coach.get("/clips/1/frames.json"))
    )
    gone(report)
    assert answers[0].status_code in (200, 409)  # in time, or too late; never a crash


@pytest.mark.parametrize("step", ["analyse_lesson", "make_pictures"])
def test_while_a_lesson_is_judged(record, analyser, held_back, gone, step):
    with record.writing() as session:
        session.get_one(LessonFinding, 1).stale = True

    def write(job, *_):
        (job.folder / "pictures").mkdir(parents=True, exist_ok=True)
        (job.folder / "pictures" / "a.jpg").write_bytes(b"a still of this player")

    begun = held_back(analyser, step, files_after=write)
    report, _ = erased_during(record, begun, Workshop(record, analyser).work_through)
    gone(report)


def test_while_a_pack_is_made(record, coach, held_back, gone, monkeypatch):
    from lessonmark.pack import packer

    coach.post("/lessons/1/pack", {"language": "en", "papers": "a4", "action": "make"})
    with record.reading() as session:
        assert session.scalar(select(PackOrder)) is not None

    def write(findings, target, **_):
        target.mkdir(parents=True, exist_ok=True)
        (target / "sheet.html").write_text("<p>this player</p>")

    begun = held_back(packer, "write_pack", files_after=write)
    report, _ = erased_during(record, begun, Packer(record).work_through)
    gone(report)


def test_while_a_passage_comes_in(record, held_back, gone, tmp_path):
    sound = tmp_path / "said.webm"
    sound.write_bytes(b"the coach's voice about this player" * 50)
    from lessonmark.lessons import passages

    begun = held_back(passages, "_keep_sound")
    new = NewPassage(at="", view=None, duration_s=2.0, take="{}")
    report, troubles = erased_during(
        record, begun, lambda: keep_passage(record, 1, new, sound=(sound, "a" * 64, ".webm"))
    )
    gone(report)
    assert isinstance(troubles[0], RecordError)


def test_while_a_clip_comes_in(record, coach, held_back, gone, clips, monkeypatch):
    from lessonmark.web import clips as pages

    begun = held_back(pages, "bring_in")
    answers = []
    report, _ = erased_during(
        record,
        begun,
        lambda: answers.append(coach.send_clip(1, clips[0].read_bytes() + b"\0" * 8)),
    )
    assert answers[0].status_code == 409
    gone(report)


def test_while_the_player_is_taken_in_once_more(record, held_back, gone, tmp_path, monkeypatch):
    path = export_player(record, 1, tmp_path / "player.zip")
    other = open_record(tmp_path / "other")
    from lessonmark.lessons import privacy

    def refuse(*_):
        raise RecordError("this player is being erased here")

    monkeypatch.setattr(privacy, "add_player", refuse)
    with pytest.raises(RecordError, match="being erased"):
        import_player(other, path)
    assert left_over(other) == []
    other.close()


def test_another_players_work_is_not_waited_for(record, coach, analyser, clips, lesson):
    other = coach.add_player("Somebody Else")
    coach.send_clip(other, clips[0].read_bytes() + b"\0" * 16)
    with record.reading() as session:
        sha256 = session.scalar(select(Clip.sha256).where(Clip.player_id == other))
    erased = threading.Event()
    with under_way.at_work(record, media=[sha256]):
        thread = threading.Thread(target=lambda: (erase_player(record, 1), erased.set()))
        thread.start()
        assert erased.wait(WITHIN_S)
        thread.join()
    assert record.files.load(sha256).is_file()


def test_what_is_left_is_searched_for_when_the_record_is_opened_next(record, lesson, monkeypatch):
    """Another program on the same record, which cannot be waited for, writes on and on."""
    with record.reading() as session:
        uid = session.scalar(select(Lesson.uid))
    real = erasure.rebuild

    def meanwhile(of):
        real(of)
        of.files.lesson_folder(uid)

    monkeypatch.setattr(erasure, "rebuild", meanwhile)
    report = erase_player(record, 1)
    assert report.left == (f"lessons: {uid}",)
    monkeypatch.undo()
    again = open_record(record.files.folder)
    assert left_over(again) == []
    with again.reading() as session:
        assert session.scalars(select(Erasure)).one().finished_at is not None
        assert uid not in str(session.scalars(select(Erasure)).one().plan)
    again.close()
