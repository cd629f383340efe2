"""Nobody gets in who may not, no path from a client reaches the disk, no foreign form is taken.

Checked against: OWASP cheat sheets 'Cross-Site Request Forgery Prevention' and 'HTTP Headers'
(from memory), RFC 9110 for ranges and lengths, Fetch Metadata (W3C) for `Sec-Fetch-Site`.
"""

import http.client
import re
from urllib.parse import urlsplit

import httpx
import pytest

from lessonmark.web import clips, handover, lessons, measuring, packs, players, viewer, voice
from lessonmark.web.settings import WebSettings

ROUTES = [
    (method, route.path)
    for part in (players, handover, clips, lessons, measuring, viewer, voice, packs)
    for route in part.router.routes
    for method in route.methods
]
CHANGES = sorted(path for method, path in ROUTES if method == "POST")
READS = sorted(path for method, path in ROUTES if method == "GET")


def filled(path):
    return re.sub(r"\{[^}]+\}", "1", path)


def test_the_list_of_routes_is_not_empty():
    assert len(CHANGES) >= 15
    assert len(READS) >= 15


@pytest.mark.parametrize("path", CHANGES)
def test_every_change_needs_the_pages_own_token(coach, path):
    answer = coach.client.post(filled(path), data={"csrf": "0" * 64})
    assert answer.status_code == 403
    answer = coach.client.post(
        filled(path), json={}, headers={"x-lessonmark-csrf": "", "accept": "application/json"}
    )
    assert answer.status_code == 403


def test_the_token_of_another_session_is_no_use(coach):
    token = coach.csrf
    stranger = httpx.Client(base_url=str(coach.client.base_url))
    answer = stranger.post("/players", data={"csrf": token, "name": "x"})
    assert answer.status_code == 403
    stranger.close()


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
    ids=["another origin", "a hidden origin", "cross-site", "another port"],
)
def test_a_foreign_form_is_refused_even_with_the_token(coach, headers):
    answer = coach.client.post("/players", data={"csrf": coach.csrf, "name": "x"}, headers=headers)
    assert answer.status_code == 403


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "[::1"])
def test_a_strange_host_name_is_refused(coach, host):
    # DNS rebinding: a page elsewhere that points its own name at this machine.
    assert coach.client.get("/", headers={"host": host}).status_code in (400, 421)


@pytest.mark.parametrize(
    "path", ["/", "/players/1", "/lessons/1", "/swings/1", "/static/page.css", "/x"]
)
def test_every_answer_wears_its_headers(coach, lesson, path):
    headers = coach.get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["x-frame-options"] == "DENY"
    assert headers["cache-control"] in ("no-store", "private, no-cache")


@pytest.mark.parametrize(
    "path", ["/", "/players/1", "/lessons/1", "/swings/1?beside=2", "/lessons/1/pack"]
)
def test_no_page_has_an_inline_script_or_style_or_a_remote_asset(coach, lesson, path):
    page = coach.get(path).text
    assert not re.search(r"<script(?![^>]*\ssrc=)", page)
    assert not re.search(r"<style|\sstyle=|\son\w+=\"|javascript:", page)
    for address in re.findall(r'(?:src|href|action)="([^"]+)"', page):
        assert address.startswith(("/", "#")), address
        assert not address.startswith("//")


def test_cookies_stay_on_this_site(coach):
    cookie = httpx.get(f"{coach.client.base_url}").headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie


def raw_get(coach, target):
    """Ask without a client that tidies the path."""
    connection = http.client.HTTPConnection(urlsplit(str(coach.client.base_url)).netloc)
    connection.request("GET", target)
    answer = connection.getresponse()
    content = answer.read()
    connection.close()
    return answer.status, content


@pytest.mark.parametrize(
    "target",
    [
        "/static/../security.py",
        "/static/%2e%2e/security.py",
        "/static/..%2fsecurity.py",
        "/static/%2e%2e%2f%2e%2e%2f%2e%2e%2f%2e%2e%2fetc/passwd",
        "/static//etc/passwd",
        "/static/fonts/../../../etc/passwd",
        "/lessons/1/pictures/..%2f..%2f..%2frecord.sqlite",
        "/clips/..%2f1/video",
        "/clips/1/frames.json/../../../record.sqlite",
        "/lessons/1/pack/files/..%2f..%2f..%2f..%2frecord.sqlite",
        "/passages/..%2f1/sound",
    ],
)
def test_no_path_climbs_out(coach, lesson, target):
    status, content = raw_get(coach, target)
    assert status in (404, 422)
    assert b"root:" not in content
    assert b"SQLite format" not in content
    assert b"class Doorkeeper" not in content


@pytest.mark.parametrize(
    "name", ["../../evil.mp4", "..\\..\\evil.mp4", "/etc/evil.mp4", "a\x00b.mp4"]
)
def test_a_files_name_never_becomes_a_path(coach, clips, record, tmp_path, name):
    player_id = coach.add_player()
    before = set(tmp_path.rglob("*evil*"))
    answer = coach.send_clip(player_id, clips[0].read_bytes(), name, folder="../../../x")
    assert answer.status_code == 200
    assert set(tmp_path.rglob("*evil*")) == before
    kept = [path.name for path in (record.files.folder / "files").rglob("*.*")]
    assert len(kept) == 1
    assert re.fullmatch(r"[0-9a-f]{64}\.mp4", kept[0])


def test_what_is_no_video_is_refused_and_nothing_stays(coach, record):
    player_id = coach.add_player()
    assert coach.send_clip(player_id, b"MZ...", "setup.exe").status_code == 409
    assert coach.send_clip(player_id, b"", "empty.mp4").status_code == 409
    assert list(record.files.kept()) == []
    assert list((record.files.folder / "incoming").iterdir()) == []


def test_too_much_at_once_is_refused(record, visit):
    with visit(WebSettings(clip_limit_bytes=1000)) as coach:
        player_id = coach.add_player()
        answer = coach.send_clip(player_id, bytes(1001), "IMG.mp4")
        assert answer.status_code == 413
        answer = coach.post("/players", {"name": "x", "note": "y" * 1_100_000})
        assert answer.status_code == 413
    assert list(record.files.kept()) == []


def test_a_body_without_a_length_is_refused(coach):
    def endless():
        yield b"name=x"

    answer = coach.client.post("/players", content=endless())
    assert answer.status_code == 411


def test_shared_pages_open_with_the_token_alone(visit):
    with visit(WebSettings(token="s3cret-token")) as coach:
        browser = httpx.Client(base_url=coach.client.base_url)
        assert browser.get("/").status_code == 401
        assert browser.get("/?token=wrong").status_code == 401
        assert browser.get("/static/page.css").status_code == 401
        answer = browser.get("/?token=s3cret-token&q=a")
        assert answer.status_code == 303
        assert answer.headers["location"] == "/?q=a"  # out of the address line
        assert browser.get("/").status_code == 200
        browser.close()
