"""Numbers, names and words that nobody means are refused in words, on every route."""

import re
from datetime import datetime

import pytest

from lessonmark.lessons.record import LessonFinding

HUGE = str(10**30)


def reads(app):
    return sorted(
        path
        for path, operations in app.openapi()["paths"].items()
        if "get" in operations and "{" in path
    )


def test_no_route_trips_over_a_number_that_no_database_holds(coach, lesson):
    for path in reads(coach.app):
        for number in (HUGE, "-1", "0", "2147483648"):
            answer = coach.get(re.sub(r"\{[^}]+\}", number, path))
            assert answer.status_code in (404, 409, 422), (path, number, answer.status_code)
            assert "Traceback" not in answer.text


@pytest.mark.parametrize(
    "query", [f"start={HUGE}", "q=%00", "q=%ed%a0%80", "start=-5", "q=" + "x" * 5000]
)
def test_the_list_takes_any_query(coach, lesson, query):
    assert coach.get(f"/?{query}").status_code in (200, 422)


@pytest.mark.parametrize(
    ("path", "data"),
    [
        ("/lessons/1/focus", {"measure": ["; drop"], "direction": ["more"], "smallest": ["1"]}),
        ("/lessons/1/focus", {"measure": ["face-on x@P99"], "direction": ["y"], "smallest": ["1"]}),
        ("/lessons/1/pictures", {"at": "x@P99", "view": "face-on", "before": "a", "after": "b"}),
        ("/players", {"name": "x", "birth_year": HUGE}),
        ("/players", {"name": "x" * 10_000}),
        ("/lessons/1", {"started_on": "9999-12-31", "club_length_cm": "nan"}),
        ("/lessons/1/plan", {"minutes": [HUGE], "drill": ["x"]}),
    ],
    ids=str,
)
def test_a_form_of_nonsense_is_refused_in_words(coach, lesson, path, data):
    answer = coach.post(path, data)
    assert answer.status_code in (404, 409, 422), answer.status_code
    assert "Traceback" not in answer.text


@pytest.mark.parametrize(
    "body",
    [
        b'{"keypoint": "\\ud800", "at_s": 0.1, "x": 1, "y": 1}',
        b'{"keypoint": "lead_hip", "at_s": 1e400, "x": 1, "y": 1}',
        b'{"keypoint": "lead_hip", "at_s": NaN, "x": 1, "y": 1}',
        b"[" * 50_000,
        b"\xff\xfe",
        b"null",
    ],
    ids=["half a letter", "endless", "no number", "nested", "no text", "nothing"],
)
@pytest.mark.parametrize("what", ["landmark", "position"])
def test_the_viewers_json_is_checked(coach, lesson, what, body):
    answer = coach.client.post(
        f"/swings/1/{what}",
        content=body,
        headers={
            "x-lessonmark-csrf": coach.csrf,
            "content-type": "application/json",
            "accept": "application/json",
        },
    )
    assert answer.status_code in (400, 404, 409, 422), answer.status_code


@pytest.mark.parametrize(
    "name",
    [
        "../../etc/passwd.mp4",
        "..\\..\\x.mp4",
        "C:\\Windows\\x.mp4",
        "x\x00.mp4",
        "\u202egpj.mp4",
        "<script>.mp4",
        "a" * 3000 + ".mp4",
        "con.mp4",
        "%2e%2e%2fx.mp4",
    ],
    ids=range(9),
)
def test_a_hostile_file_name_names_nothing_on_the_disk(coach, record, clips, name):
    player = coach.add_player()
    answer = coach.send_clip(player, clips[0].read_bytes(), name=name)
    assert answer.status_code == 200, answer.text
    page = coach.get("/lessons/1").text
    assert "<script>." not in page
    folder = record.files.folder
    for path in folder.rglob("*"):
        inside = path.relative_to(folder).as_posix()
        assert re.fullmatch(r"[\w./-]+", inside), inside
    (kept,) = record.files.kept()
    assert re.fullmatch(r"[0-9a-f]{64}", kept)


@pytest.mark.parametrize(
    ("modified_ms", "status"), [(1e300, 409), (2.5e14, 200), (-6e13, 200), ("nan", 409)]
)
def test_a_date_that_no_camera_means_is_not_believed(coach, record, clips, modified_ms, status):
    player = coach.add_player()
    answer = coach.send_clip(player, clips[0].read_bytes(), modified_ms=modified_ms)
    assert answer.status_code == status
    if status == 200:
        assert str(datetime.now().year) in coach.get("/lessons/1").text


def test_results_that_somebody_made_up_are_said_and_break_nothing(coach, lesson, record):
    with record.writing() as session:
        session.get_one(LessonFinding, 1).findings = '{"focus": "made up"}'
    answer = coach.get("/lessons/1")
    assert answer.status_code == 409
    assert "cannot be read" in answer.text
    assert coach.get("/").status_code == 200
