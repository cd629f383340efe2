"""The pages through their real routes and a fresh SQLite file."""

import io
import re
import zipfile

import pytest
from sqlalchemy import func, select

from lessonmark.lessons.record import Clip, Lesson, Media, Player, Swing


def count(record, table):
    with record.reading() as session:
        return session.scalar(select(func.count()).select_from(table))


def test_a_player_is_entered_found_and_changed(coach):
    coach.add_player("Łukasz Fürge", birth_year="1980")
    coach.add_player("Somebody Else")
    found = coach.get("/", params={"q": "furge"}).text
    assert "Łukasz Fürge" in found
    assert "Somebody Else" not in found
    coach.post("/players/1", {"name": "Łukasz Neu", "handedness": "left"})
    page = coach.get("/players/1").text
    assert "Łukasz Neu" in page
    assert "left-handed" in page


def test_a_minor_needs_a_guardian_and_consent_is_kept(coach):
    player_id = coach.add_player(birth_year="2012")
    page = coach.get(f"/players/{player_id}").text
    assert "enter the guardian" in page
    assert "not on record" in page
    coach.post(
        f"/players/{player_id}/consent", {"consent_on": "2026-05-01", "consent_by": "Her Mother"}
    )
    page = coach.get(f"/players/{player_id}").text
    assert "May 1, 2026, given by Her Mother" in page
    coach.post(f"/players/{player_id}/consent", {"consent_on": "", "consent_by": ""})
    assert "not on record" in coach.get(f"/players/{player_id}").text


def test_what_hurts_stands_with_its_caution(coach):
    player_id = coach.add_player()
    coach.post(f"/players/{player_id}/injuries", {"noted_on": "2026-05-01", "words": "left knee"})
    page = coach.get(f"/players/{player_id}").text
    assert "left knee" in page
    assert "word comes first" in page


def test_names_are_never_taken_for_markup(coach):
    player_id = coach.add_player("<script>alert(1)</script>")
    assert "<script>alert" not in coach.get(f"/players/{player_id}").text


@pytest.mark.parametrize("stature", ["99", "231", "tall"])
def test_an_impossible_stature_changes_nothing(coach, record, stature):
    answer = coach.post("/players", {"name": "Somebody", "stature_cm": stature})
    assert answer.status_code == 422
    assert "stature_cm" in answer.text
    assert count(record, Player) == 0


def test_clips_become_a_lesson_with_stages_guessed_by_the_pause(coach, lesson, record):
    with record.reading() as session:
        stages = session.scalars(select(Clip.stage).order_by(Clip.filmed_at)).all()
        assert stages == ["before"] * 3 + ["after"] * 3
        assert count(record, Lesson) == 1
        assert count(record, Swing) == 6
    page = coach.get(f"/lessons/{lesson[1]}").text
    assert page.count("guessed") >= 6


def test_the_same_clips_again_change_nothing(coach, lesson, clips, record):
    before = {table: count(record, table) for table in (Lesson, Clip, Media, Swing)}
    for n, clip in enumerate(clips):
        answer = coach.send_clip(lesson[0], clip.read_bytes(), f"renamed_{n}.mov", modified_ms=0)
        assert answer.json() == {"clip": n + 1, "lesson": lesson[1], "new": False}
    assert {table: count(record, table) for table in before} == before
    assert coach.work() == 0


def test_folders_name_stage_and_view(coach, clips, record):
    player_id = coach.add_player()
    folder = "phone/after/down-the-line/"
    coach.send_clip(player_id, clips[0].read_bytes(), "IMG_1.mp4", folder=folder)
    with record.reading() as session:
        clip = session.scalars(select(Clip)).one()
        assert (clip.stage, clip.view) == ("after", "down-the-line")


def test_clips_of_another_day_are_another_lesson(coach, clips, record):
    player_id = coach.add_player()
    day_ms = 86_400_000
    coach.send_clip(player_id, clips[0].read_bytes(), modified_ms=1_777_888_800_000)
    coach.send_clip(player_id, clips[1].read_bytes(), modified_ms=1_777_888_800_000 + day_ms)
    assert count(record, Lesson) == 2


def test_a_form_without_scripts_brings_clips_in_too(coach, clips, record):
    player_id = coach.add_player()
    files = [("files", (f"IMG_{n}.mp4", clips[n].read_bytes())) for n in range(2)]
    answer = coach.post(f"/players/{player_id}/clips/form", {"kind": "practice"}, files=files)
    assert "Practice" in answer.text
    with record.reading() as session:
        assert set(session.scalars(select(Clip.stage))) == {"practice"}


def test_one_click_corrects_the_stage_and_it_stays(coach, lesson, record):
    coach.post("/clips/1/stage", {"stage": "drill"})
    coach.work()
    with record.reading() as session:
        clip = session.get_one(Clip, 1)
        assert (clip.stage, clip.stage_by_hand) == ("drill", True)


def test_another_view_is_measured_anew(coach, lesson, record):
    coach.post("/clips/1/view", {"view": "down-the-line"})
    assert coach.work() == 1
    with record.reading() as session:
        clip = session.get_one(Clip, 1)
        assert (clip.view, clip.state) == ("down-the-line", "done")


def test_a_broken_clip_is_reported_and_the_others_go_on(coach, clips, analyser):
    player_id = coach.add_player()
    analyser.broken.add("IMG_0")
    for n in range(2):
        lesson_id = coach.send_clip(player_id, clips[n].read_bytes(), f"IMG_{n}.mp4").json()[
            "lesson"
        ]
    coach.work()
    state = coach.get(f"/lessons/{lesson_id}/state.json").json()
    assert sorted(clip["state"] for clip in state["clips"]) == ["done", "failed"]
    assert "stopped unexpectedly" in coach.get(f"/lessons/{lesson_id}").text
    analyser.broken.clear()
    coach.post("/clips/1/again")
    coach.work()
    state = coach.get(f"/lessons/{lesson_id}/state.json").json()
    assert {clip["state"] for clip in state["clips"]} == {"done"}


def judge(coach, lesson_id, **more):
    data = {
        "measure": ["face-on side_bend@P6", "", ""],
        "direction": ["more", "", ""],
        "smallest": ["3", "", ""],
        **more,
    }
    return coach.post(f"/lessons/{lesson_id}/focus", data)


def test_a_focus_is_judged_at_once_with_a_dot_and_a_link_a_swing(coach, lesson):
    page = judge(coach, lesson[1]).text
    # The invented clips bend 6 and 26 degrees: far beyond their scatter and error.
    assert re.search(r'class="verdict changed"', page)
    assert len(set(re.findall(r'href="/swings/(\d+)\?at=side_bend@P6"', page))) == 6
    assert "by at least 3°" in page


def test_pictures_follow_from_the_background_and_can_be_chosen(coach, lesson, record):
    judge(coach, lesson[1])
    coach.work()
    page = coach.get(f"/lessons/{lesson[1]}").text
    sources = re.findall(r'<image href="(/lessons/\d+/pictures/\d+)"', page)
    assert len(sources) == 2
    for source in sources:
        answer = coach.get(source)
        assert answer.headers["content-type"] == "image/jpeg"
        assert answer.content.startswith(b"\xff\xd8")
    keys = re.findall(r'<option value="([^"]+)"[^>]*>swing \d', page)
    coach.post(
        f"/lessons/{lesson[1]}/pictures",
        {"at": "side_bend@P6", "view": "face-on", "before": keys[0], "after": keys[-1]},
    )
    coach.work()
    page = coach.get(f"/lessons/{lesson[1]}").text
    assert f'<option value="{keys[0]}" selected>' in page
    assert f'<option value="{keys[-1]}" selected>' in page


@pytest.mark.parametrize(
    "more",
    [
        {"measure": ["face-on no_such@P6", "", ""]},
        {
            "measure": ["face-on side_bend@P6", "face-on side_bend@P6", ""],
            "direction": ["", "", ""],
        },
        {"smallest": ["-1", "", ""]},
        {"direction": ["sideways", "", ""]},
    ],
    ids=["unknown", "twice", "below zero", "no direction"],
)
def test_a_focus_that_cannot_be_is_refused_and_the_old_one_stays(coach, lesson, more):
    judge(coach, lesson[1])
    answer = judge(coach, lesson[1], **more)
    assert answer.status_code == 409
    assert 'value="face-on side_bend@P6" selected' in coach.get(f"/lessons/{lesson[1]}").text


def test_a_plan_is_kept_with_its_cautions(coach, lesson):
    page = coach.post(
        f"/lessons/{lesson[1]}/plan",
        {
            "cues": "chest over the ball\n\n  trail shoulder under ",
            "drill": ["feet together", ""],
            "dose": ["half swings", ""],
            "minutes": ["10", ""],
            "sets": ["3", ""],
            "balls": ["20", ""],
            "next_on": "2026-06-01",
        },
    ).text
    assert "<li>trail shoulder under</li>" in page
    assert "half swings, 10 minutes, 3 sets, 20 balls" in page
    assert page.count("within two club lengths") == 1
    found = coach.get("/", params={"q": "FEET together"}).text
    assert "Wilma Testerly" in found


def test_the_player_page_shows_what_lasted(coach, lesson):
    judge(coach, lesson[1])
    page = coach.get(f"/players/{lesson[0]}").text
    assert 'class="course"' in page
    assert len(set(re.findall(r'href="/swings/(\d+)"', page))) == 6
    assert "before anything is said" in page


def test_export_import_and_erasure_through_the_pages(coach, lesson, record):
    answer = coach.get(f"/players/{lesson[0]}/export")
    assert answer.headers["content-type"] == "application/zip"
    assert "Wilma" not in answer.headers["content-disposition"]
    names = zipfile.ZipFile(io.BytesIO(answer.content)).namelist()
    assert sum(name.startswith("clips/") for name in names) == 6
    wrong = coach.post(f"/players/{lesson[0]}/erase", {"name": "Somebody Else"})
    assert wrong.status_code == 409
    assert count(record, Player) == 1
    done = coach.post(f"/players/{lesson[0]}/erase", {"name": "wilma testerly"})
    assert "no trace of this player" in done.text
    assert count(record, Clip) == 0
    assert list(record.files.kept()) == []
    back = coach.post("/import", files={"file": ("player.zip", answer.content)})
    assert "Wilma Testerly" in back.text
    assert count(record, Swing) == 6
    assert list((record.files.folder / "incoming").iterdir()) == []


def test_erasing_counts_in_the_readers_language(coach, lesson):
    at = f"/players/{lesson[0]}/erase"
    assert "1 lesson and 6 clips go" in coach.get(at).text
    german = {"accept-language": "de"}
    assert "1 Stunde und 6 Clips verschwinden" in coach.get(at, headers=german).text
    done = coach.post(at, {"name": "Wilma Testerly"}, headers=german).text
    for words in ("1 Stunde", "6 Clips", "6 Schwünge", "1 Spieler"):
        assert words in done
    assert not re.search(r"[a-z]_[a-z]+ \d", done)


def test_a_zip_that_is_none_is_refused_in_words(coach):
    answer = coach.post("/import", files={"file": ("player.zip", b"PK but not really")})
    assert answer.status_code == 409
    assert "not a player&#39;s export" in answer.text


@pytest.mark.parametrize(
    "path", ["/players/77", "/lessons/77", "/swings/77", "/clips/77/video", "/x"]
)
def test_what_is_not_there_is_said(coach, path):
    answer = coach.get(path)
    assert answer.status_code == 404
    assert "That did not work" in answer.text
