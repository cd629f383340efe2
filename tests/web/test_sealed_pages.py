"""The whole way through the pages with a sealed record: it works, and the disk tells nothing."""

import io
import json
import re
import shutil
import tempfile
import zipfile

import av
import numpy as np
import pytest

from lessonmark.lessons.backup import check_record
from lessonmark.lessons.privacy import export_player, import_player
from lessonmark.lessons.record import Lesson, Player
from lessonmark.lessons.record_base import now
from lessonmark.lessons.store import open_record
from lessonmark.web import serve as serving_module
from lessonmark.web.settings import WebSettings

FOCUS = {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]}
NAME, NOTE = "Wilma Testerly", "her lower back was sore on Monday"
RATE_HZ = 48000
SEALED = pytest.mark.parametrize("record", ["sealed"], indirect=True)


@pytest.fixture
def short(monkeypatch):
    """A video of a few seconds."""
    monkeypatch.setattr("lessonmark.pack.video_plan.TITLE_S", 0.2)
    monkeypatch.setattr("lessonmark.pack.video_plan.CLOSING_S", 0.2)
    monkeypatch.setattr("lessonmark.pack.video_plan._reading_s", lambda words: 0.2)


def recording():
    """A second of sound as a browser's recorder writes it."""
    out = io.BytesIO()
    with av.open(out, "w", format="webm") as file:
        sound = file.add_stream("libopus", rate=RATE_HZ, layout="mono")
        noise = np.random.default_rng(5)
        for k in range(50):
            block = noise.uniform(-0.3, 0.3, (1, 960)).astype(np.float32)
            frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
            frame.sample_rate, frame.pts = RATE_HZ, 960 * k
            file.mux(sound.encode(frame))
        file.mux(sound.encode(None))
    return out.getvalue()


def piece(content):
    """Bytes of the middle of a file, long enough to be found nowhere by chance."""
    return content[len(content) // 2 :][:64]


@SEALED
def test_a_lesson_lives_in_a_sealed_record(
    coach, clips, bending, record, app, short, sealer, visit, monkeypatch
):
    folder, words = record.files.folder, coach.words
    secrets = {"name": NAME.encode(), "note": NOTE.encode()}

    def nothing_told():
        content = b"".join(p.read_bytes() for p in folder.rglob("*") if p.is_file())
        assert [name for name, secret in secrets.items() if secret in content] == []

    player = coach.add_player(NAME)
    coach.post(f"/players/{player}/injuries", {"noted_on": "2026-05-01", "words": NOTE})
    secrets |= {f"clip {n}": piece(clip.read_bytes()) for n, clip in enumerate(clips)}
    lesson = coach.send_lesson(player, clips)
    nothing_told()
    assert coach.work() == 6
    coach.post(f"/lessons/{lesson}/focus", FOCUS)
    coach.work()
    page = coach.get(f"/lessons/{lesson}")
    assert "Side bend at P6 has changed" in words(page)
    assert NOTE in words(coach.get(f"/players/{player}"))
    still = re.search(rf'<image href="(/lessons/{lesson}/pictures/\d+)"', page.text)[1]
    secrets["still"] = piece(coach.get(still).content)
    # The viewer: a frame, the clip itself, a correction and back.
    start, stop = coach.get("/clips/1/frames.json").json()["offsets"][:2]
    frame = coach.get("/clips/1/frames", headers={"range": f"bytes={start}-{stop - 1}"})
    assert frame.content.startswith(b"\xff\xd8")
    secrets["frame"] = piece(frame.content)
    video = coach.get("/clips/1/video", headers={"range": "bytes=10-19"})
    assert video.content == clips[0].read_bytes()[10:20]
    swing = re.search(r"/swings/(\d+)", page.text)[1]
    look = coach.get(f"/swings/{swing}/look.json").json()
    at = len(look["times"]) * 62 // 100
    x, y = look["paths"]["trail_shoulder"][at]
    moved = {"keypoint": "trail_shoulder", "s": look["times"][at], "x": x, "y": y + 30}
    assert coach.post_json(f"/swings/{swing}/landmark", moved).status_code == 200
    assert coach.post_json(f"/swings/{swing}/undo", {}).status_code == 200
    # A voice, and the pack with it.
    sound = recording()
    secrets["voice"] = piece(sound)
    pane = {"s": 0.25, "crop": [0, 0, 300, 400], "lines": [], "label": ""}
    log = {
        "swings": [1, 4],
        "at": "side_bend@P6",
        "duration_s": 1.0,
        "shown": [{"at_s": 0.0, "left": pane, "right": pane}],
        "pointer": [],
        "marks": [],
    }
    kept = coach.client.post(
        f"/lessons/{lesson}/passages",
        files={
            "log": ("log.json", json.dumps(log).encode(), "application/json"),
            "sound": ("voice", sound, "audio/webm"),
        },
        headers={"x-lessonmark-csrf": coach.csrf, "accept": "application/json"},
    )
    assert kept.json() == {"id": 1, "heard": True}
    coach.work()
    wish = {"language": "en", "drafted_in": "en", "papers": ["a4"], "with_voice": "true"}
    coach.post(f"/lessons/{lesson}/pack", {**wish, "with_name": "true"})
    assert app.state.desk.packer.work_through() == 1
    packed = coach.get(f"/lessons/{lesson}/pack.zip").content
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        inside = {name.split("/")[1]: archive.read(name) for name in archive.namelist()}
    assert NAME.encode() in inside["sheet.html"]  # the pack itself is given away in clear
    secrets |= {name: piece(inside[name]) for name in ("review.mp4", "page-a4.pdf", "card.png")}
    secrets["sheet"] = b"<!doctype html>"
    nothing_told()
    # What a library lays aside goes to memory as well.
    assert tempfile.gettempdir() == str(record.files.incoming)
    assert not list(record.files.incoming.iterdir())
    assert not list((folder / "incoming").iterdir())
    # Opened again from the disk alone, it is all there.
    record.close()
    assert tempfile.gettempdir() != str(record.files.incoming)
    again = sealer.open(folder)
    with visit(WebSettings(), of=again) as coach:
        assert "Side bend at P6 has changed" in words(coach.get(f"/lessons/{lesson}"))
        assert coach.get(still).content.startswith(b"\xff\xd8")
        assert coach.get("/passages/1/sound").content == sound
        assert coach.get(f"/lessons/{lesson}/pack.zip").content == packed
        made = []
        monkeypatch.setattr("lessonmark.lessons.own_analyser.write_proxy", made.append)
        assert coach.get("/clips/1/frames.json").status_code == 200
        assert made == []  # the frames were kept, and are not made again
        # Handed over, taken in again, erased with proof.
        zipped = coach.get(f"/players/{player}/export").content
        assert zipfile.ZipFile(io.BytesIO(zipped)).testzip() is None
        taken = coach.client.post(
            "/import", data={"csrf": coach.csrf}, files={"file": ("player.zip", zipped)}
        )
        assert NAME in words(taken)
        nothing_told()
        said = words(coach.post(f"/players/{player}/erase", {"name": NAME}))
        assert "The database file was written anew and searched" in said
        assert not [path for path in folder.rglob("*.age") if not path.name.startswith("record.")]
        in_clear = [path for path in again.files.working.rglob("*") if path.is_file()]
        assert [path.name for path in in_clear] == ["in-use"]
    again.close()
    assert check_record(folder) == []


@SEALED
def test_what_is_taken_in_is_sealed_at_once(record, sealer, tmp_path):
    """A kill afterwards loses none of a taken-in lesson's sheets."""
    other = open_record(tmp_path / "other")
    with other.writing() as session:
        player = Player(name=NAME, search="wilma", lessons=[Lesson(started_at=now())])
        session.add(player)
        session.flush()
        player_id, uid = player.id, player.lessons[0].uid
    sheets = other.files.lesson_folder(uid) / "sheets"
    sheets.mkdir()
    (sheets / "sheet.html").write_text("a sheet")
    import_player(record, export_player(other, player_id, tmp_path / "player.zip"))
    other.close()
    shutil.copytree(record.files.folder, tmp_path / "as killed now")
    again = sealer.open(tmp_path / "as killed now")
    assert (again.files.lesson_folder(uid) / "sheets" / "sheet.html").read_text() == "a sheet"
    again.close()


def test_serving_says_where_what_is_open_lies(tmp_path, sealer, monkeypatch):
    sealer.seal(tmp_path / "data")
    said = []
    monkeypatch.setattr(
        serving_module.uvicorn.Server, "run", lambda self, sockets: [one.close() for one in sockets]
    )
    serving_module.serve(folder=tmp_path / "data", port=0, browser=False, tell=said.append)
    assert "in memory until this program ends" in said[0]
    said.clear()
    monkeypatch.setenv("LESSONMARK_WORKING", str(tmp_path / "working"))
    serving_module.serve(folder=tmp_path / "data", port=0, browser=False, tell=said.append)
    assert f"IN CLEAR in {tmp_path / 'working'}" in said[0]
    assert not list((tmp_path / "working").iterdir())
