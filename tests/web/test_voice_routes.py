"""Recorded passages come in checked, and what is wrong with one leaves the others as they were."""

import io
import json

import av
import numpy as np
import pytest

from lessonmark.lessons.record import Lesson, Passage
from lessonmark.pack.take import read_take
from lessonmark.web.settings import WebSettings

RATE_HZ = 48000


def recording(seconds=1.0, level=0.3, *, container="webm", codec="libopus", picture=False):
    """A file as a browser's recorder writes it."""
    out = io.BytesIO()
    with av.open(out, "w", format=container) as file:
        sound = file.add_stream(codec, rate=RATE_HZ, layout="mono")
        if picture:
            video = file.add_stream("libvpx", rate=10)
            video.width, video.height, video.pix_fmt = 64, 64, "yuv420p"
            blank = av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), np.uint8), format="rgb24")
            file.mux(video.encode(blank))
            file.mux(video.encode(None))
        rng = np.random.default_rng(5)
        for k in range(round(seconds * 50)):
            block = (level * rng.uniform(-1, 1, (1, 960))).astype(np.float32)
            frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = RATE_HZ, 960 * k
            file.mux(sound.encode(frame))
        file.mux(sound.encode(None))
    return out.getvalue()


def seen(**more):
    pane = {"s": 0.25, "crop": [0, 0, 300, 400], "lines": [], "label": ""}
    return {
        "swings": [1, 4],
        "at": "side_bend@P6",
        "duration_s": 1.0,
        "shown": [{"at_s": 0.0, "left": pane, "right": pane}],
        "pointer": [{"at_s": 0.5, "x": 0.2, "y": 0.4}],
        "marks": [{"points": [[0.2, 0.1, 0.1], [0.4, 0.2, 0.1]], "until_s": None}],
        **more,
    }


def send(coach, log=None, sound=b"", *, lesson=1, **fields):
    files = {"log": ("log.json", json.dumps(log or seen()).encode(), "application/json")}
    if sound:
        files["sound"] = ("voice", sound, "audio/webm")
    return coach.client.post(
        f"/lessons/{lesson}/passages",
        files=files,
        data=fields,
        headers={"x-lessonmark-csrf": coach.csrf, "accept": "application/json"},
    )


def passages(record):
    with record.reading() as session:
        return [(row.id, row.caption, row.sound) for row in session.get_one(Lesson, 1).passages]


def test_a_passage_is_kept_and_played_as_it_came(coach, lesson, record):
    sound = recording()
    answer = send(coach, sound=sound)
    assert answer.json() == {"id": 1, "heard": True}
    played = coach.get("/passages/1/sound", headers={"range": "bytes=0-9"})
    assert (played.status_code, played.headers["content-type"]) == (206, "audio/webm")
    assert coach.get("/passages/1/sound").content == sound
    with record.reading() as session:
        row = session.get_one(Passage, 1)
        assert row.duration_s == pytest.approx(1.0, abs=0.03)  # the sound's, decoded
        take = read_take(row.take)
    assert take.shown[0].right is not None
    assert take.shown[0].right.crop == (0, 0, 300, 400)
    assert take.marks[0].points[1] == (0.4, 0.2, 0.1)
    assert [one.number for one in take.swings] == [1, 1]


def test_silence_is_kept_and_said(coach, lesson):
    assert send(coach, sound=recording(level=0.0005)).json()["heard"] is False


def test_a_passage_without_a_microphone_has_captions_alone(coach, lesson, record):
    assert send(coach).json() == {"id": 1, "heard": None}
    answer = coach.post("/passages/1/caption", {"caption": "Look at the  trail shoulder."})
    assert "Look at the trail shoulder." in answer.text
    assert passages(record) == [(1, "Look at the trail shoulder.", "")]
    assert coach.get("/passages/1/sound").status_code == 404


@pytest.mark.parametrize(
    ("sound", "said"),
    [
        (b"MZ" + bytes(500), "no recording"),
        (recording(picture=True), "no recording"),
        (recording(container="wav", codec="pcm_s16le"), "no recording"),
        (recording(0.04), "nothing was recorded"),
        (recording()[:60], "no recording"),
    ],
    ids=["no sound", "with a picture", "another kind", "too short", "cut off"],
)
def test_what_is_no_recording_is_refused_and_nothing_stays(coach, lesson, record, sound, said):
    send(coach, sound=recording())
    before = passages(record)
    answer = send(coach, sound=sound, instead_of="1")
    assert answer.status_code == 409
    assert said in answer.json()["what"]
    assert passages(record) == before
    assert len(list(record.files.folder.rglob("voice/*"))) == 1
    assert list((record.files.folder / "incoming").iterdir()) == []


PANE = {"s": 0.25, "crop": [0, 0, 300, 400]}


@pytest.mark.parametrize(
    "wrong",
    [
        {"shown": [{"at_s": 1.0, "left": None, "right": None}] * 2 + seen()["shown"]},
        {"shown": [{"at_s": 0.0, "left": PANE | {"crop": [0, 0, 0, 400]}, "right": None}]},
        {"shown": [{"at_s": 0.0, "left": PANE | {"label": "x" * 41}, "right": None}]},
        {"pointer": [{"at_s": 0.1, "x": 1.5, "y": 0.0}]},
        {"marks": [{"points": [], "until_s": None}]},
        {"marks": [{"points": [[0.4, 0, 0], [0.2, 0, 0]], "until_s": None}]},
        {"duration_s": 0.0},
        {"duration_s": float("inf")},
        {"swings": []},
        {"swings": [1, 2, 3]},
        {"more": 1},
        {"swings": [1]},
    ],
    ids=[
        "backwards",
        "no crop",
        "a long label",
        "a pointer outside",
        "an empty mark",
        "a mark backwards",
        "no time",
        "no end",
        "no swing",
        "three swings",
        "an unknown key",
        "two pictures of one swing",
    ],
)
def test_a_log_that_cannot_be_is_refused(coach, lesson, record, wrong):
    answer = send(coach, seen(**wrong), recording())
    assert answer.status_code == 409
    assert "cannot be read" in answer.json()["what"]
    assert passages(record) == []


def test_a_swing_of_another_player_is_never_recorded_over(coach, lesson, clips, record):
    other = coach.add_player("Somebody Else")
    coach.send_clip(other, clips[0].read_bytes(), "IMG_9.MP4")
    coach.work()
    theirs = coach.get("/lessons/2").text.split('href="/swings/')[1].split('"')[0]
    answer = send(coach, seen(swings=[1, int(theirs)]))
    assert answer.status_code == 409
    assert "different players" in answer.json()["what"]
    assert send(coach, lesson=2).status_code == 409
    assert send(coach, lesson=9).status_code == 404
    assert passages(record) == []


def test_too_large_a_recording_is_refused(record, lesson, visit):
    with visit(WebSettings(voice_limit_bytes=4000)) as coach:
        assert send(coach, sound=recording(5.0)).status_code == 413
    assert passages(record) == []


def test_a_recording_without_the_pages_token_is_refused(coach, lesson, record):
    answer = coach.client.post(
        "/lessons/1/passages", files={"log": ("log.json", json.dumps(seen()).encode())}
    )
    assert answer.status_code == 403
    assert passages(record) == []


def test_only_the_coachs_own_computer_may_listen(coach, record, lesson, visit):
    assert "microphone=(self)" in coach.get("/swings/1").headers["permissions-policy"]
    with visit(WebSettings(hosts=frozenset({"127.0.0.1", "desk.example"}))) as shared:
        answer = shared.get("/swings/1", headers={"host": "desk.example"})
        assert answer.status_code == 200
        assert "microphone=()" in answer.headers["permissions-policy"]
        assert "camera=()" in answer.headers["permissions-policy"]
