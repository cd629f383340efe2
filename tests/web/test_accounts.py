"""Two coaches on one server see nothing of each other; a player sees the own sheets alone.

Every route of the application is walked, whoever wrote it.
"""

import re
import time

import httpx
import pytest
from argon2 import PasswordHasher
from sqlalchemy import func, select
from typer.testing import CliRunner

from lessonmark import account_commands
from lessonmark.errors import LessonFileError, RecordError
from lessonmark.lessons import accounts
from lessonmark.lessons.accounts import (
    TRIES_BEFORE_WAIT,
    add_account,
    adopt_players,
    close_account,
    list_accounts,
    read_audit,
    set_password,
)
from lessonmark.lessons.coach_library import (
    OWN_DRILLS,
    coach_library,
    coach_of,
    own_folder,
    take_drills_in,
)
from lessonmark.lessons.erasure import erase_player
from lessonmark.lessons.record import Account, AuditEntry, Base, Clip, Media, Owner, Passage, Player
from lessonmark.lessons.whose import SHARED, Whose, acting_as, path_to_player
from lessonmark.web.accounts import WHOSE, player_of
from lessonmark.web.settings import WebSettings

WORDS = "four words nobody guesses"
OPEN = {"/sign-in"}


class Visitor:
    """A browser that signs in."""

    def __init__(self, address):
        self.client = httpx.Client(base_url=address, follow_redirects=False, timeout=60)

    def sign_in(self, name, password=WORDS):
        return self.client.post(
            "/sign-in", data={"csrf": self.csrf(), "name": name, "password": password}
        )

    def csrf(self):
        page = self.client.get("/sign-in").text
        return re.search(r'name="lessonmark-csrf" content="(\w+)"', page)[1]

    def get(self, path):
        return self.client.get(path)

    def post(self, path, data=None):
        return self.client.post(path, data={"csrf": self.csrf(), **(data or {})})


@pytest.fixture(autouse=True)
def quick_hashes(request, monkeypatch):
    """Hash passwords cheaply, except where the cost itself is tested."""
    if "hashes_only" not in request.node.name:
        cheap = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
        monkeypatch.setattr(accounts, "_hasher", lambda: cheap)


@pytest.fixture
def server(record, analyser, lesson, visit):
    """Coach Ada owns the measured lesson, coach Bo another player, Wilma has her own account."""
    with record.writing() as session:
        name = session.scalars(select(Player)).one().name
    assert name == "Wilma Testerly"
    add_account(record, "ada", WORDS)
    add_account(record, "bo", WORDS)
    add_account(record, "wilma", WORDS, role="player", player_id=1)
    assert adopt_players(record, "ada") == 1
    with visit(WebSettings(accounts=True)) as visitor:
        visitors = []

        def browser(name=None):
            new = Visitor(str(visitor.client.base_url))
            visitors.append(new)
            if name is not None:
                assert new.sign_in(name).status_code == 303
            return new

        browser.app = visitor.app
        yield browser
        for one in visitors:
            one.client.close()


def routes(app):
    return [
        (method.upper(), path)
        for path, operations in app.openapi()["paths"].items()
        for method in operations
    ]


def of_somebody(app, method):
    return sorted(path for m, path in routes(app) if m == method and "{" in path)


def filled(path, number="1"):
    return re.sub(r"\{[^}]+\}", number, path)


# What the forms need to be taken for whole, so that only the owner stands in the way.
FORM = {
    "name": "x",
    "stage": "before",
    "view": "face-on",
    "measure": "face-on side_bend@P6",
    "at": "side_bend@P6",
    "noted_on": "2026-01-01",
    "words": "x",
    "before": "a#1",
    "after": "b#1",
    "typed": "Wilma Testerly",
    "reason": "x",
}


def test_there_are_routes_to_walk(server):
    assert len(of_somebody(server.app, "GET")) >= 12
    assert len(of_somebody(server.app, "POST")) >= 15


def test_nobody_gets_anywhere_without_signing_in(server, record):
    stranger = server()
    for method, path in routes(server.app):
        if path in OPEN:
            continue
        answer = stranger.client.request(
            method, filled(path), data={} if method == "POST" else None
        )
        assert answer.status_code in (303, 401, 403), (method, path, answer.status_code)
        assert "Wilma" not in answer.text
        if answer.status_code == 303:
            assert answer.headers["location"] == "/sign-in"


def test_the_own_coach_sees_every_page(server):
    ada = server("ada")
    assert "Wilma Testerly" in ada.get("/").text
    for path in (
        "/players/1",
        "/lessons/1",
        "/lessons/1/state.json",
        "/swings/1",
        "/clips/1/video",
    ):
        assert ada.get(path).status_code == 200, path


def test_another_coach_gets_404_for_every_address_of_hers(server):
    bo = server("bo")
    for path in of_somebody(server.app, "GET"):
        answer = bo.get(filled(path))
        assert answer.status_code in (404, 422), (path, answer.status_code)
        assert "Wilma" not in answer.text, path
        if answer.status_code == 422:  # it wants a query: then with one
            answer = bo.get(filled(path) + "?at=side_bend@P6&s=1&frame=1&name=x")
            assert answer.status_code in (404, 422), (path, answer.status_code)


def test_another_coach_changes_nothing_of_hers(server, record):
    before = contents(record)
    bo = server("bo")
    for path in of_somebody(server.app, "POST"):
        for answer in (
            bo.post(filled(path), FORM),
            bo.client.post(
                filled(path),
                json={"at_s": 1.0, "x": 1.0, "y": 1.0, "name": "P6", "keypoint": "lead_hip"},
                headers={"x-lessonmark-csrf": bo.csrf(), "accept": "application/json"},
            ),
        ):
            assert answer.status_code in (404, 409, 411, 415, 422), (path, answer.status_code)
            assert "Wilma" not in answer.text, path
    assert contents(record) == before


def contents(record):
    """Every row of every table that belongs to a player."""
    with record.reading() as session:
        return {
            mapper.class_.__tablename__: sorted(
                map(repr, session.execute(select(mapper.class_.__table__)).all())
            )
            for mapper in Base.registry.mappers
            if mapper.class_ not in SHARED
        }


def test_no_list_search_or_side_door_shows_another_coachs_player(server, record, clips):
    bo = server("bo")
    bo.post("/players", {"name": "Bertil Own", "stature_cm": "170"})
    with record.reading() as session:
        mine = session.scalars(select(Player.id).where(Player.name == "Bertil Own")).one()
        assert session.scalars(select(Owner.account_id).where(Owner.player_id == mine)).one() == 2
    assert "Bertil Own" in bo.get("/").text
    for path in ("/", "/?q=wilma", "/?q=feet", "/import", f"/players/{mine}"):
        assert "Wilma" not in bo.get(path).text, path
    # A clip of Bo's own cannot be put into a lesson of Ada's.
    answer = bo.client.post(
        f"/players/{mine}/clips",
        params={"name": "IMG_1.MP4", "lesson_id": 1},
        content=clips[0].read_bytes(),
        headers={"x-lessonmark-csrf": bo.csrf(), "accept": "application/json"},
    )
    assert answer.status_code == 409
    # The very same file as Ada's becomes a clip of its own, and erasing it leaves hers.
    answer = bo.client.post(
        f"/players/{mine}/clips",
        params={"name": "IMG_1.MP4"},
        content=clips[0].read_bytes(),
        headers={"x-lessonmark-csrf": bo.csrf(), "accept": "application/json"},
    )
    assert answer.status_code == 200
    with record.reading() as session:
        twice = session.scalars(
            select(Clip.sha256).group_by(Clip.sha256).having(func.count() > 1)
        ).one()
    bo.post(f"/players/{mine}/erase", {"typed": "Bertil Own", "name": "Bertil Own"})
    assert "Bertil" not in bo.get("/").text
    assert record.files.load(twice).is_file()
    assert server("ada").get("/clips/1/video").status_code == 200


def test_a_player_sees_the_own_sheets_and_nothing_else(server):
    wilma = server("wilma")
    assert wilma.get("/").headers["location"] == "/mine"
    assert "/mine/lessons/1" in wilma.get("/mine").text
    sheet = wilma.get("/mine/lessons/1")
    assert sheet.status_code == 200
    allowed = {"/mine", "/mine/lessons/{lesson_id}", "/lessons/{lesson_id}/pictures/{number}"}
    for method, path in routes(server.app):
        if path in allowed | OPEN | {"/sign-out", "/"}:
            continue
        answer = wilma.get(filled(path)) if method == "GET" else wilma.post(filled(path), FORM)
        assert answer.status_code in (404, 405, 422), (method, path, answer.status_code)
    assert wilma.get("/mine/lessons/2").status_code == 404


def test_a_players_page_holds_nothing_that_the_coach_noted(server, record):
    with record.writing() as session:
        player = session.get_one(Player, 1)
        player.note = "a private word"
        player.lessons[0].note = "another private word"
    text = server("wilma").get("/mine/lessons/1").text
    assert "private word" not in text


def test_another_player_sees_nothing_of_hers(server, record):
    with record.writing() as session:
        session.add(Player(name="Somebody Else"))
    add_account(record, "else", WORDS, role="player", player_id=2)
    other = server("else")
    assert "/mine/lessons/1" not in other.get("/mine").text
    assert other.get("/mine/lessons/1").status_code == 404
    assert other.get("/lessons/1/pictures/0").status_code == 404


def test_signing_out_ends_it(server):
    ada = server("ada")
    assert ada.post("/sign-out").status_code == 303
    assert ada.get("/players/1").headers["location"] == "/sign-in"


def test_a_wrong_password_and_a_wrong_name_are_told_alike(server):
    stranger = server()
    wrong, nobody = stranger.sign_in("ada", "x" * 12), stranger.sign_in("nobody", "x" * 12)
    assert wrong.status_code == nobody.status_code == 403
    assert wrong.text == nobody.text


def test_guessing_has_to_wait_even_with_the_right_word(server):
    stranger = server()
    for _ in range(TRIES_BEFORE_WAIT):
        assert stranger.sign_in("ada", "a wrong word").status_code == 403
    answer = stranger.sign_in("ada")
    assert answer.status_code == 403
    assert "too many wrong passwords" in answer.text.casefold()


def test_a_closed_account_or_a_new_password_ends_what_was_signed_in(server, record):
    ada, bo = server("ada"), server("bo")
    close_account(record, "ada")
    set_password(record, "bo", "other words that nobody guesses")
    assert ada.get("/players/1").status_code == 303
    assert bo.get("/").headers["location"] == "/sign-in"
    assert server().sign_in("ada").status_code == 403


def noted(record, wanted):
    """Wait for an entry: it is written after the answer has gone out."""
    until = time.monotonic() + 60
    while True:
        entries = [(o.account_id, o.did, o.player_id, o.status) for o in read_audit(record)]
        if wanted in entries or time.monotonic() > until:
            return entries
        time.sleep(0.05)


def test_the_log_says_who_did_what_to_whom_and_names_nobody(server, record):
    server("ada").get("/lessons/1")
    server("bo").get("/lessons/1")
    for entry in (
        (1, "GET /lessons/{lesson_id}", 1, 200),
        (2, "GET /lessons/{lesson_id}", 1, 404),
        (None, "POST /sign-in", None, 303),
    ):
        assert entry in noted(record, entry)
    with record.reading() as session:
        columns = session.execute(select(AuditEntry.__table__)).all()
    assert not any("Wilma" in repr(row) or "ada" in repr(row) for row in columns)


# Writing routes whose address names nobody, and why.
NOBODYS = {
    "/players": "enters a new player: the one that the answer leads to is noted",
    "/import": "takes a player in: likewise",
    "/sign-in": "nobody is signed in yet",
    "/sign-out": "is about the account alone",
}


def test_every_writing_route_says_in_the_log_whose_player_it_was(server, record):
    """A route that is added with another number in its address fails here."""
    writing = [(m, path) for m, path in routes(server.app) if m not in ("GET", "HEAD")]
    assert len(writing) > 25
    for method, path in writing:
        if path in NOBODYS:
            continue
        numbers = set(re.findall(r"\{(\w+)\}", path))
        assert numbers & set(WHOSE), f"{method} {path} is not in the log's map"


def test_each_number_of_an_address_leads_to_its_player(record, add_passage):
    passage_id = add_passage()
    for name in WHOSE:
        number = passage_id if name == "passage_id" else 1
        assert player_of(record, {name: str(number)}) == 1, name
        assert player_of(record, {name: "404"}) is None, name
        assert player_of(record, {name: "x"}) is None, name


@pytest.fixture
def add_passage(record, lesson):
    def add():
        with record.writing() as session:
            row = Passage(lesson_id=1, rank=1, view=None, duration_s=2.0, take="{}")
            session.add(row)
            session.flush()
            return row.id

    return add


def test_a_passage_that_is_captioned_and_removed_is_in_the_log(server, record, add_passage):
    key = add_passage()
    ada = server("ada")
    assert ada.post(f"/passages/{key}/caption", {"caption": "hips"}).status_code == 303
    assert ada.post(f"/passages/{key}/remove").status_code == 303
    for entry in (
        (1, "POST /passages/{passage_id}/caption", 1, 303),
        (1, "POST /passages/{passage_id}/remove", 1, 303),
    ):
        assert entry in noted(record, entry)


def test_another_coach_reaches_no_passage(server, record, add_passage):
    key = add_passage()
    bo = server("bo")
    assert bo.post(f"/passages/{key}/remove").status_code == 404
    with record.reading() as session:
        assert session.get(Passage, key) is not None
    entry = (2, "POST /passages/{passage_id}/remove", 1, 404)
    assert entry in noted(record, entry)


def test_a_player_who_was_entered_is_in_the_log(server, record):
    assert server("bo").post("/players", {"name": "Somebody New"}).status_code == 303
    with record.reading() as session:
        new = session.scalars(select(Player).where(Player.name == "Somebody New")).one().id
    entry = (2, "POST /players", new, 303)
    assert entry in noted(record, entry)


@pytest.fixture
def drill_file(write_drill):
    """Write a drill of a coach's own into a folder; gives the folder."""

    def write(folder, drill_id, name):
        return write_drill(folder / f"{drill_id}.toml", id=drill_id, name=name).parent

    return write


def test_a_coachs_own_drills_are_no_other_coachs_and_the_houses_are_everybodys(
    server, record, tmp_path, drill_file
):
    drill_file(record.files.folder / OWN_DRILLS, "of-the-house", "Drill of the house")
    adas = drill_file(tmp_path / "ada", "of-ada", "Secret drill of Ada")
    assert take_drills_in(record, "ada", adas) == 1
    assert take_drills_in(record, "bo", drill_file(tmp_path / "bo", "of-bo", "Drill of Bo")) == 1
    ada, bo = server("ada"), server("bo")
    for path in ("/drills", "/lessons/1"):
        page = ada.get(path).text
        assert "Secret drill of Ada" in page
        assert "Drill of Bo" not in page
    page = bo.get("/drills").text
    assert "Drill of Bo" in page
    assert "Ada" not in page
    assert all("Drill of the house" in one.get("/drills").text for one in (ada, bo))


def test_the_pack_of_a_players_lesson_uses_their_own_coachs_drills(
    server, record, tmp_path, drill_file
):
    take_drills_in(record, "ada", drill_file(tmp_path / "ada", "of-ada", "Secret drill of Ada"))
    with record.reading() as session:  # as the background does, for nobody in particular
        coach = coach_of(session, 1)
    names = {one.name for one in coach_library(record.files.folder, coach=coach)}
    assert "Secret drill of Ada" in names
    assert "Secret drill of Ada" not in {one.name for one in coach_library(record.files.folder)}


def test_drills_are_taken_in_from_the_servers_terminal(server, record, tmp_path, drill_file):
    adas = drill_file(tmp_path / "ada", "of-ada", "Secret drill of Ada")
    told = CliRunner().invoke(
        account_commands.app,
        ["drills", "ada", str(adas), "--folder", str(record.files.folder)],
    )
    assert told.exit_code == 0, told.output
    assert "ada has 1 drills of their own" in told.output
    assert "Secret drill of Ada" in server("ada").get("/drills").text


def test_drills_that_are_taken_in_replace_the_older_and_a_bad_file_changes_nothing(
    server, record, tmp_path, drill_file
):
    take_drills_in(record, "ada", drill_file(tmp_path / "one", "of-ada", "First drill"))
    new = drill_file(tmp_path / "two", "of-ada-2", "Second drill")
    (new / "broken.toml").write_text("id = ")
    with pytest.raises(LessonFileError, match="TOML"):
        take_drills_in(record, "ada", new)
    folder = own_folder(record.files.folder, 1)
    assert [one.name for one in folder.iterdir()] == ["of-ada.toml"]
    (new / "broken.toml").unlink()
    take_drills_in(record, "ada", new)
    assert [one.name for one in folder.iterdir()] == ["of-ada-2.toml"]
    with pytest.raises(RecordError, match="no coach's account"):
        take_drills_in(record, "wilma", new)


def test_erasing_a_player_takes_the_account_and_the_log_along(server, record):
    server("ada").get("/lessons/1")
    seen = (1, "GET /lessons/{lesson_id}", 1, 200)
    assert seen in noted(record, seen)
    erase_player(record, 1)
    assert {one.name for one in list_accounts(record)} == {"ada", "bo"}
    assert read_audit(record, player_id=1) == []
    with record.reading() as session:
        assert session.scalars(select(Owner)).all() == []


def test_passwords_and_tokens_are_kept_as_hashes_only(server, record):
    ada = server("ada")
    with record.reading() as session:
        kept = session.scalars(select(Account.password)).first()
    assert kept.startswith("$argon2id$v=19$m=65536,t=3,p=4$")  # RFC 9106, section 4, second choice
    token = ada.client.cookies["lessonmark_account"]
    database = (record.files.folder / "record.sqlite").read_bytes()
    database += (record.files.folder / "record.sqlite-wal").read_bytes()
    assert token.encode() not in database
    assert WORDS.encode() not in database


@pytest.mark.parametrize(
    ("name", "password", "role", "player", "words"),
    [
        ("ada", WORDS, "coach", None, "of this name"),
        ("", WORDS, "coach", None, "1 to 80"),
        ("new", "short", "coach", None, "at least 10"),
        ("new", WORDS, "player", None, "one player's"),
        ("new", WORDS, "coach", 1, "one player's"),
        ("new", WORDS, "player", 404, "not in the record"),
    ],
)
def test_an_account_that_makes_no_sense_is_refused(record, name, password, role, player, words):
    add_account(record, "ada", WORDS)
    with pytest.raises(RecordError, match=words):
        add_account(record, name, password, role=role, player_id=player)


def test_every_table_knows_whose_its_rows_are(record, lesson):
    entities = [m.class_ for m in Base.registry.mappers if m.class_ not in SHARED]
    assert len(entities) >= 15
    with acting_as(Whose(account_id=404)), record.reading() as session:
        for entity in entities:
            assert path_to_player(entity)
            assert session.execute(select(entity)).all() == [], entity


def test_what_is_held_back_is_not_got_by_its_number_either(server, record):
    with acting_as(Whose(account_id=2)), record.reading() as session:
        assert session.get(Player, 1) is None
        assert session.get(Clip, 1) is None
    with acting_as(Whose(account_id=1)), record.reading() as session:
        assert session.get(Player, 1) is not None
    with record.reading() as session:
        assert session.scalar(select(func.count()).select_from(Media)) == 6


def test_on_a_laptop_nothing_changes(coach, lesson):
    assert coach.get("/players/1").status_code == 200
    assert coach.get("/sign-in").status_code == 404
    assert "Sign out" not in coach.get("/").text
