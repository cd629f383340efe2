"""The pack is made from the lesson's page in one action, in the background, and can be stopped."""

import hashlib
import io
import json
import re
import threading
import time
import zipfile
from importlib.resources import files

import av
import pypdf
import pytest

from lessonmark.language import speaking
from lessonmark.lessons.coach_library import OWN_DRILLS
from lessonmark.lessons.jobs import read_lesson_findings
from lessonmark.lessons.record import DrillSet, Lesson, PackOrder, PackState, Passage
from lessonmark.pack import packer as packing
from lessonmark.pack.packer import Packer
from lessonmark.pack.take import SwingRef, Take, take_json
from lessonmark.pack.talking_points import as_text, draft_talking_points

WISH = {"language": "en", "drafted_in": "en", "papers": ["a4"], "with_voice": "false"}


@pytest.fixture
def judged(lesson, coach):
    coach.post(
        "/lessons/1/focus",
        {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]},
    )
    coach.work()


@pytest.fixture
def make(app):
    """Make what is ordered, here and now."""
    return app.state.desk.packer.work_through


@pytest.fixture
def short(monkeypatch):
    """A video of a few seconds."""
    monkeypatch.setattr("lessonmark.pack.video_plan.TITLE_S", 0.2)
    monkeypatch.setattr("lessonmark.pack.video_plan.CLOSING_S", 0.2)
    monkeypatch.setattr("lessonmark.pack.video_plan._reading_s", lambda words: 0.2)


def order(record):
    with record.reading() as session:
        return session.get_one(PackOrder, 1)


def folder(record):
    with record.reading() as session:
        return record.files.lesson_folder(session.get_one(Lesson, 1).uid) / "pack"


def area(page, name):
    """What stands in a text area, as a browser sends it back."""
    found = re.search(rf'<textarea name="{name}"[^>]*>(.*?)</textarea>', page, re.DOTALL)[1]
    for mark, sign in (("&amp;", "&"), ("&#34;", '"'), ("&#39;", "'"), ("&lt;", "<")):
        found = found.replace(mark, sign)
    return found


def file(coach, name):
    answer = coach.get(f"/lessons/1/pack/files/{name}")
    assert answer.status_code == 200, name
    return answer


def test_one_action_makes_the_whole_pack(coach, judged, make, short, record):
    page = coach.get("/lessons/1/pack").text
    wish = {
        **WISH,
        "papers": ["a4", "us-letter"],
        "talking_points": area(page, "talking_points").replace("\n", "\r\n"),
        "message": area(page, "message"),
        "coach": "Kim Demo",
    }
    assert coach.post("/lessons/1/pack", wish).status_code == 200
    assert coach.get("/lessons/1/pack/state.json").json()["busy"] is True
    assert make() == 1
    assert coach.get("/lessons/1/pack/state.json").json() == {
        "busy": False,
        "progress": 1.0,
        "doing": "",
    }
    page = coach.get("/lessons/1/pack").text
    for name in ("review.mp4", "page-a4.pdf", "page-letter.pdf", "card.png", "sheet.html"):
        assert f'href="/lessons/1/pack/files/{name}"' in page
    with av.open(io.BytesIO(file(coach, "review.mp4").content)) as video:
        kinds = [stream.codec_context.name for stream in video.streams if stream.type != "data"]
        assert kinds == ["h264", "aac", "mov_text"]
        length = float(video.duration) / av.time_base
        assert video.chapters()[-1]["end"] / 1000 == pytest.approx(length, abs=0.05)
    text = pypdf.PdfReader(io.BytesIO(file(coach, "page-a4.pdf").content)).pages[0].extract_text()
    assert "Kim Demo" in text
    assert file(coach, "card.png").content.startswith(b"\x89PNG")
    sheet = file(coach, "sheet.html")
    assert "default-src 'none'" in sheet.headers["content-security-policy"]
    assert "script" not in sheet.headers["content-security-policy"]
    # The zip is whole, and its manifest agrees.
    with zipfile.ZipFile(io.BytesIO(coach.get("/lessons/1/pack.zip").content)) as archive:
        names = {name.split("/")[1]: name for name in archive.namelist()}
        for line in archive.read(names["SHA256SUMS"]).decode().splitlines():
            wanted, name = line.split("  ")
            assert hashlib.sha256(archive.read(names[name])).hexdigest() == wanted
        # The name is nowhere: it was not asked for.
        assert not any(b"Wilma" in archive.read(name) for name in archive.namelist())
    assert file(coach, "message.txt").text.strip() in page.replace("&#34;", '"')


def test_an_untouched_draft_is_drafted_again_and_own_words_stay(coach, judged, make, short, record):
    page = coach.get("/lessons/1/pack").text
    points = area(page, "talking_points")
    with record.reading() as session:
        findings = read_lesson_findings(session.get_one(Lesson, 1))
    assert points == as_text(draft_talking_points(findings))
    assert "changed" in points
    wish = {**WISH, "drafted_in": "en", "language": "de", "talking_points": points}
    coach.post("/lessons/1/pack", {**wish, "message": "Bis bald!"})
    assert (order(record).talking_points, order(record).message) == ("", "Bis bald!")
    make()
    with speaking("de"):
        assert file(coach, "talking-points.txt").text == as_text(draft_talking_points(findings))
    assert file(coach, "message.txt").text == "Bis bald!"
    assert 'lang="de"' in file(coach, "sheet.html").text[:200]
    # Other words than the draft's are the coach's, and are used as they are.
    mine = points.replace("What it was", "How it looked")
    coach.post("/lessons/1/pack", {**WISH, "drafted_in": "de", "talking_points": mine})
    assert order(record).talking_points == mine.strip()
    # Until they are drafted anew.
    coach.post("/lessons/1/pack", {**WISH, "talking_points": mine, "action": "draft"})
    assert order(record).talking_points == ""


def test_a_name_in_a_files_name_or_in_the_coachs_words_is_not_passed_on(
    coach, judged, make, short, record
):
    with record.writing() as session:
        lesson = session.get_one(Lesson, 1)
        lesson.title = "Wilma, delivery"
        for clip in lesson.clips:
            clip.name = f"wilma testerly {clip.name}"
        lesson.finding.stale = True
    coach.work()
    coach.post("/lessons/1/pack", {**WISH, "message": "Hello Wilma"})
    page = coach.get("/lessons/1/pack").text
    assert "in your own words: the lesson&#39;s title, the message." in page
    coach.post("/lessons/1", {"title": "Delivery"})
    coach.post("/lessons/1/pack", WISH)
    coach.work()
    make()
    with zipfile.ZipFile(io.BytesIO(coach.get("/lessons/1/pack.zip").content)) as archive:
        for name in archive.namelist():
            content = archive.read(name).lower()
            assert b"wilma" not in content, name
            assert b"testerly" not in content, name
        data = json.loads(archive.read(next(n for n in archive.namelist() if "sheet.json" in n)))
    assert {clip["clip"] for clip in data["clips"]} == {f"clip-0{n}" for n in range(1, 7)}
    assert data["focus"][0]["stages"][0]["swing_ids"] == ["clip-01#1", "clip-02#1", "clip-03#1"]


def test_a_passage_recorded_after_the_first_pack_is_heard_in_the_next(coach, judged, record):
    page = coach.get("/lessons/1/pack").text
    assert '<input type="hidden" name="with_voice" value="true">' in page
    coach.post("/lessons/1/pack", {**WISH, "with_voice": "true"})
    with record.writing() as session:
        take = Take(
            focus=None,
            audio=None,
            duration_s=1.0,
            swings=(SwingRef(clip_sha256="0" * 64, number=1),),
            shown=(),
        )
        passage = Passage(rank=1, duration_s=1.0, take=take_json(take))
        session.get_one(Lesson, 1).passages = [passage]
    page = coach.get("/lessons/1/pack").text
    assert re.search(r'name="with_voice" value="true" checked', page)


def test_a_pack_is_stopped_and_the_older_one_stays(coach, judged, make, short, record, monkeypatch):
    older = folder(record) / "lesson-2026-05-01"
    older.mkdir(parents=True)
    (older / "message.txt").write_text("the first")
    older.with_suffix(".zip").write_bytes(b"PK")
    monkeypatch.setattr(packing, "TELL_EVERY_S", 0.0)
    coach.post("/lessons/1/pack", {**WISH, "message": "the second"})
    worker = threading.Thread(target=make)
    worker.start()
    until(lambda: 0.0 < coach.get("/lessons/1/pack/state.json").json()["progress"] < 1.0)
    page = coach.post("/lessons/1/pack/stop").text
    worker.join(20)
    assert not worker.is_alive()
    assert order(record).state is PackState.STOPPED
    assert "The making was stopped." in page
    assert file(coach, "message.txt").text == "the first"
    names = sorted(path.name for path in folder(record).iterdir())
    assert names == ["lesson-2026-05-01", "lesson-2026-05-01.zip"]


def until(condition, timeout_s=20.0):
    end = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_what_a_crash_left_half_made_is_taken_up_again(coach, judged, record):
    coach.post("/lessons/1/pack", WISH)
    with record.writing() as session:
        session.get_one(PackOrder, 1).state = PackState.WORKING
    half = folder(record) / ".lesson-2026-05-03-abc"
    half.mkdir(parents=True)
    (half / "sheet.html").write_text("half")
    without_pictures(record)  # so that it ends soon, and is seen to have been taken up
    packer = Packer(record)
    packer.start()
    until(lambda: order(record).state is PackState.FAILED)
    packer.stop()
    assert not half.exists()


def without_pictures(record):
    for path in record.files.folder.glob("lessons/*/pictures/*.jpg"):
        path.unlink()


def test_what_went_wrong_is_said_and_may_be_tried_again(coach, judged, make, short, record):
    without_pictures(record)
    coach.post("/lessons/1/pack", WISH)
    make()
    assert order(record).state is PackState.FAILED
    page = coach.get("/lessons/1/pack").text
    assert "A picture of the lesson cannot be read." in page
    assert coach.get("/lessons/1/pack.zip").status_code == 404


def test_numbers_that_are_being_made_anew_are_waited_for(coach, judged, make, record):
    with record.writing() as session:
        session.get_one(Lesson, 1).finding.stale = True
    coach.post("/lessons/1/pack", WISH)
    assert make() == 0
    assert order(record).state is PackState.WAITING


def test_nothing_judged_is_no_pack(coach, lesson, record):
    player = coach.add_player("Somebody New")
    answer = coach.post(f"/players/{player}/lessons", {"title": "empty"})
    address = f"{answer.url.path}/pack"
    assert "Nothing could be judged yet." in coach.get(address).text
    assert coach.post(address, WISH).status_code == 409


@pytest.mark.parametrize(
    "name", ["record.sqlite", "..%2f..%2frecord.sqlite", "SHA256SUMS2", "%2e%2e", "sheet.html"]
)
def test_only_parts_of_the_pack_are_sent(coach, judged, name):
    assert coach.get(f"/lessons/1/pack/files/{name}").status_code == 404


@pytest.mark.parametrize("wrong", [{"language": "xx"}, {"papers": ["a3"]}, {"action": "burn"}])
def test_choices_that_cannot_be_change_nothing(coach, judged, record, wrong):
    assert coach.post("/lessons/1/pack", {**WISH, **wrong}).status_code == 422
    with record.reading() as session:
        assert session.get(PackOrder, 1) is None


def told(page):
    """Give the sentences that are doubted on the page, with why."""
    found = re.findall(r"<li><q[^>]*>([^<]*)</q> ([^<]*)</li>", page)
    return {sentence: why.replace("&#39;", "'") for sentence, why in found}


def test_what_the_coachs_words_claim_too_much_is_told_beside_them(coach, judged, make, record):
    page = coach.get("/lessons/1/pack").text
    assert told(page) == {}
    assert "looked through" not in page  # nothing of the coach's is there yet
    points = area(page, "talking_points") + "- Side bend at P6 is 48°, for good.\n"
    wish = {**WISH, "talking_points": points, "message": "Thanks to the drill it is fixed."}
    page = coach.post("/lessons/1/pack", {**wish, "action": "keep"}).text
    assert told(page) == {
        "Side bend at P6 is 48°, for good.": "48° was not measured of side bend at P6. "
        "Whether it stays, only a later lesson's retest can say.",
        "Thanks to the drill it is fixed.": "The lesson shows whether it changed, and not why.",
    }
    assert "2 sentences of yours say more than the evidence." in page
    # Kept, and nothing made yet; the coach comes first: their words go in as they are.
    assert order(record).state is PackState.STOPPED
    assert order(record).talking_points.strip().endswith("for good.")
    coach.post("/lessons/1/pack", wish)
    assert order(record).state is PackState.WAITING
    assert "for good." in order(record).talking_points


def test_words_that_claim_no_more_than_the_evidence_are_told_to_be_looked_through(coach, judged):
    page = coach.get("/lessons/1/pack").text
    points = area(page, "talking_points").replace("What it was", "How it looked")
    page = coach.post("/lessons/1/pack", {**WISH, "talking_points": points, "action": "keep"}).text
    assert told(page) == {}
    assert "Your own words were looked through" in page


def test_a_caption_is_looked_at_too(coach, judged, record):
    with record.writing() as session:
        session.add(
            Passage(lesson_id=1, rank=1, view=None, duration_s=2.0, take="{}", caption="48 cm gone")
        )
    assert told(coach.get("/lessons/1/pack").text) == {
        "48 cm gone": "48 cm is none of this lesson's numbers."
    }


def test_the_coachs_own_drill_stands_in_the_draft(coach, judged, record):
    library = files("lessonmark.drills") / "library" / "feet-together.toml"
    text = re.sub(r"^cue = .*$", 'cue = "quiet as a heron"', library.read_text(), flags=re.M)
    text = re.sub(r"^id = .*$", 'id = "herons"', text, flags=re.M)
    own = record.files.folder / OWN_DRILLS
    own.mkdir()
    (own / "herons.toml").write_text(text)
    with record.writing() as session:
        session.add(DrillSet(lesson_id=1, rank=1, drill="herons", name="herons"))
    points = area(coach.get("/lessons/1/pack").text, "talking_points")
    assert "Cue: quiet as a heron." in points
