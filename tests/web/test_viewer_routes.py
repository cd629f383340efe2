"""The viewer's data: frames by range, curves, corrections that the numbers follow."""

import io
import json
import math

import numpy as np
import pytest
from PIL import Image

from lessonmark.evidence.value_wording import measured_words
from lessonmark.measures.measured import Measured


def look(coach, swing_id=1):
    answer = coach.get(f"/swings/{swing_id}/look.json")
    assert answer.status_code == 200, answer.text
    return answer.json()


def shown_number(jpeg: bytes) -> int:
    """Read the number that `write_numbered_clip` burnt in as blocks."""
    image = np.asarray(Image.open(io.BytesIO(jpeg)).convert("L"), float)
    middles = [image[8, bit * 16 + 8] > 128 for bit in range(10)]
    return sum(int(on) << bit for bit, on in enumerate(middles))


def test_each_frame_of_the_pack_is_the_frame_of_that_number(coach, lesson):
    index = coach.get("/clips/1/frames.json").json()
    offsets = index["offsets"]
    assert len(offsets) == 61
    for frame in range(60):
        answer = coach.get(
            "/clips/1/frames",
            headers={"range": f"bytes={offsets[frame]}-{offsets[frame + 1] - 1}"},
        )
        assert answer.status_code == 206
        assert shown_number(answer.content) == frame


def test_a_video_is_sent_in_ranges_with_its_type(coach, lesson, clips):
    whole = clips[0].read_bytes()
    answer = coach.get("/clips/1/video", headers={"range": "bytes=10-19"})
    assert answer.status_code == 206
    assert answer.content == whole[10:20]
    assert answer.headers["content-range"] == f"bytes 10-19/{len(whole)}"
    assert answer.headers["content-type"] == "video/mp4"
    beyond = coach.get("/clips/1/video", headers={"range": f"bytes={len(whole)}-"})
    assert beyond.status_code == 416


def test_a_dragged_landmark_moves_the_number_by_what_geometry_says(coach, lesson):
    before = look(coach)
    s = before["positions"]["P6"]["s"]
    frame = min(range(len(before["times"])), key=lambda n: abs(before["times"][n] - s))
    place = {name: np.array(path[frame]) for name, path in before["paths"].items()}
    target = place["trail_shoulder"] + np.array([-40.0, 30.0])
    after = coach.post_json(
        "/swings/1/landmark",
        {
            "keypoint": "trail_shoulder",
            "s": before["times"][frame],
            "x": target[0],
            "y": target[1],
        },
    ).json()

    def trunk_deg(shoulder):
        # The trunk's line to the perpendicular of the level hips, by plain trigonometry.
        along = (place["lead_shoulder"] + shoulder) / 2 - (
            place["lead_hip"] + place["trail_hip"]
        ) / 2
        return math.degrees(math.atan2(-along[0], -along[1]))

    expected = trunk_deg(target) - trunk_deg(place["trail_shoulder"])
    got = after["values"]["trunk_lean@P6"]["value"] - before["values"]["trunk_lean@P6"]["value"]
    # The position lies between two frames, where the shift is not quite whole.
    assert got == pytest.approx(expected, rel=0.1)
    assert after["corrections"] == [
        {"kind": "landmark", "name": "trail_shoulder", "s": before["times"][frame]}
    ]


def test_undo_gives_back_exactly_what_was_measured(coach, lesson):
    before = look(coach)
    coach.post_json("/swings/1/landmark", {"keypoint": "lead_hip", "s": 0.3, "x": 10, "y": 20})
    coach.post_json(
        "/swings/1/position", {"position": "P6", "s": before["positions"]["P6"]["s"] + 0.01}
    )
    moved = look(coach)
    assert moved["values"] != before["values"]
    assert moved["positions"]["P6"]["by_hand"]
    assert moved["positions"]["P6"]["se"] == pytest.approx(0.5 / 120, rel=0.01)  # DESIGN.md, 5
    coach.post_json("/swings/1/undo", {})
    coach.post_json("/swings/1/undo", {})
    assert look(coach) == before
    assert coach.post_json("/swings/1/undo", {}).status_code == 200  # nothing left to undo


def test_a_correction_survives_another_analysis(coach, lesson):
    s = look(coach)["positions"]["P6"]["s"] + 0.01
    coach.post_json("/swings/1/position", {"position": "P6", "s": s})
    moved = look(coach)
    coach.post("/clips/1/again")
    coach.work()
    again = look(coach)
    assert again["positions"]["P6"] == moved["positions"]["P6"]
    assert again["values"]["side_bend@P6"] == moved["values"]["side_bend@P6"]
    assert "corrected by hand" in coach.get(f"/lessons/{lesson[1]}").text


def test_a_verdict_follows_a_correction(coach, lesson):
    coach.post(
        f"/lessons/{lesson[1]}/focus",
        {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]},
    )
    before = look(coach)
    s = before["positions"]["P6"]["s"]
    frame = min(range(len(before["times"])), key=lambda n: abs(before["times"][n] - s))
    x, y = before["paths"]["trail_shoulder"][frame]
    after = coach.post_json(
        "/swings/1/landmark",
        {"keypoint": "trail_shoulder", "s": before["times"][frame], "x": x - 60, "y": y + 40},
    ).json()
    assert after["verdicts"][0]["difference"] != before["verdicts"][0]["difference"]


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        ("landmark", {"keypoint": "no_such", "s": 0.3, "x": 1, "y": 2}, 409),
        ("landmark", {"keypoint": "lead_hip", "s": 0.3, "x": 1}, 422),
        ("landmark", {"keypoint": "lead_hip", "s": 0.3, "x": 1, "y": 2, "z": 3}, 422),
        ("position", {"position": "P11", "s": 0.3}, 422),
        ("position", {"position": "P6", "s": 0.01}, 409),
    ],
    ids=["unknown landmark", "no place", "something more", "P11", "before P1"],
)
def test_a_correction_that_cannot_be_changes_nothing(coach, lesson, path, body, status):
    before = look(coach)
    assert coach.post_json(f"/swings/1/{path}", body).status_code == status
    assert look(coach) == before


def test_numbers_that_are_none_are_refused(coach, lesson):
    before = look(coach)
    answer = coach.client.post(
        "/swings/1/landmark",
        content='{"keypoint": "lead_hip", "s": 0.3, "x": NaN, "y": 2}',
        headers={"x-lessonmark-csrf": coach.csrf, "content-type": "application/json"},
    )
    assert answer.status_code == 422
    assert look(coach) == before


def test_the_curve_passes_through_the_measured_values(coach, lesson):
    seen = look(coach)
    curve = coach.get("/swings/1/curve.json", params={"at": "side_bend@P6"}).json()
    times, values = curve["times"], [np.nan if v is None else v for v in curve["values"]]
    for position in ("P2", "P4", "P6", "P8"):
        value = seen["values"][f"side_bend@{position}"]["value"]
        s = seen["positions"][position]["s"]
        assert np.interp(s, times, values) == pytest.approx(value, abs=0.3)


def test_a_swing_of_another_player_is_never_shown_beside(coach, lesson, clips):
    other = coach.add_player("Somebody Else")
    coach.send_clip(other, clips[0].read_bytes())
    coach.work()
    assert coach.get("/swings/1", params={"beside": 7}).status_code == 409
    assert coach.get("/swings/1", params={"beside": 2}).status_code == 200


def test_the_viewer_says_a_value_as_the_sheet_does(coach, lesson):
    values = look(coach)["values"]
    one = values["side_bend@P6"]
    measured = Measured(value=one["value"], se=one["se"], systematic=0.0)
    assert one["words"] == measured_words(measured, "deg")
    assert values["pelvis_shift@P6"]["words"].endswith(("\u00a0cm", "\u00a0% of the torso"))
    without_an_error = [at for at, one in values.items() if "±" not in one["words"]]
    assert without_an_error == []


def test_what_was_judged_on_an_english_page_is_told_on_a_german_one(coach, lesson):
    focus = {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]}
    coach.post("/lessons/1/focus", focus)
    coach.work()
    shown = coach.get("/swings/1/look.json", headers={"accept-language": "de"}).json()
    (verdict,) = shown["verdicts"]
    assert verdict["title"] == "Seitneigung bei P6"
    assert verdict["sentence"].startswith("Seitneigung bei P6 hat sich"), verdict
    assert set(shown["refused"].values()) == {
        "kein Clip zeigt diesen Schwung auch von der anderen Seite"
    }
    assert "no clip shows" not in json.dumps(shown)


def test_a_track_that_is_gone_is_said(coach, lesson, record):
    for path in (record.files.folder / "derived").rglob("*.nc"):
        path.unlink()
    answer = coach.get("/swings/1/look.json")
    assert answer.status_code == 409
    assert "measure the clip again" in json.loads(answer.text)["do"]
