"""The whole way through the pages with the record on a real PostgreSQL server."""

import re

import pytest
from sqlalchemy import func, select

from lessonmark.lessons.record import Base, Player

FOCUS = {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]}


@pytest.mark.parametrize("record", ["postgres"], indirect=True)
def test_a_lesson_lives_on_a_server(coach, clips, bending, record):
    words = coach.words
    player = coach.add_player("Wilma Testerly")
    lesson = coach.send_lesson(player, clips)
    assert coach.work() == 6
    coach.post(f"/lessons/{lesson}/focus", FOCUS)
    coach.work()
    page = coach.get(f"/lessons/{lesson}")
    assert "Side bend at P6 has changed" in words(page)
    assert "What to film first next time" in words(page)
    # A correction in the viewer, and back.
    swing = re.search(r"/swings/(\d+)", page.text)[1]
    look = coach.get(f"/swings/{swing}/look.json").json()
    frame = len(look["times"]) * 62 // 100
    x, y = look["paths"]["trail_shoulder"][frame]
    moved = {"keypoint": "trail_shoulder", "s": look["times"][frame], "x": x, "y": y + 30}
    assert coach.post_json(f"/swings/{swing}/landmark", moved).status_code == 200
    assert "corrected by hand" in words(coach.get(f"/lessons/{lesson}"))
    assert coach.post_json(f"/swings/{swing}/undo", {}).status_code == 200
    assert "corrected by hand" not in words(coach.get(f"/lessons/{lesson}"))
    # The lists, the drills, the search.
    assert "Wilma Testerly" in words(coach.get("/?q=TESTERL"))
    assert "side bend at p6" in words(coach.get(f"/players/{player}")).lower()
    assert words(coach.get("/drills"))
    # Handed over, taken in again, erased with proof.
    zipped = coach.get(f"/players/{player}/export").content
    assert "Wilma Testerly" in words(
        coach.client.post(
            "/import", data={"csrf": coach.csrf}, files={"file": ("player.zip", zipped)}
        )
    )
    said = words(coach.post(f"/players/{player}/erase", {"name": "Wilma Testerly"}))
    assert "The server's tables were written anew and searched" in said
    with record.reading() as session:
        rows = {
            table.name: session.scalar(select(func.count()).select_from(table))
            for table in Base.metadata.sorted_tables
        }
        assert session.scalars(select(Player)).all() == []
    assert {name for name, count in rows.items() if count} == {"erasure"}
    assert not list(record.files.folder.rglob("*.mp4"))
