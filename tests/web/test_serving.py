"""The real `lessonmark serve`, as a process of its own, asked over a real network.

As root, server and asker each get a network namespace, joined by a cable of their own, so that the
asker is another machine to the server and nothing else on this one can be asked. Otherwise the
asker takes this machine's own address on its network.
"""

import contextlib
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from dataclasses import dataclass

import pytest
import uvicorn

from lessonmark.lessons.backup import check_record
from lessonmark.web import serve

SERVER_ADDRESS, ASKER_ADDRESS = "10.77.0.1", "10.77.0.2"
SERVE = (sys.executable, "-m", "lessonmark.cli", "serve", "--no-browser")
# What a browser elsewhere does, as a program for any Python: no redirect is followed by itself.
ASK = """
import http.client, json, sys
host, port, method, path, headers = json.loads(sys.argv[1])
try:
    line = http.client.HTTPConnection(host, port, timeout=10)
    line.request(method, path, headers=headers)
    answer = line.getresponse()
    told = {"status": answer.status, "headers": dict(answer.getheaders()),
            "text": answer.read().decode()}
except ConnectionRefusedError:
    told = {"status": "refused"}
print(json.dumps(told))
"""


@dataclass(frozen=True, kw_only=True)
class Network:
    """Where the server and an asker run, as the beginning of their command lines."""

    server: tuple[str, ...]
    asker: tuple[str, ...]


@pytest.fixture(scope="module")
def network():
    ip = shutil.which("ip") or shutil.which("ip", path="/usr/sbin:/sbin")
    if os.getuid() != 0 or ip is None or not is_allowed(ip, "netns", "list"):
        yield Network(server=(), asker=())
        return
    here, there = (f"lessonmark-{os.getpid()}-{name}" for name in ("server", "asker"))

    def inside(name, *words):
        subprocess.run([ip, "-n", name, *words], check=True)

    try:
        for name in (here, there):
            subprocess.run([ip, "netns", "add", name], check=True)
            inside(name, "link", "set", "lo", "up")
        inside(here, "link", "add", "cable", "type", "veth", "peer", "name", "far", "netns", there)
        for name, end, address in ((here, "cable", SERVER_ADDRESS), (there, "far", ASKER_ADDRESS)):
            inside(name, "address", "add", f"{address}/24", "dev", end)
            inside(name, "link", "set", end, "up")
        inside(here, "route", "add", "default", "via", ASKER_ADDRESS)
        yield Network(server=(ip, "netns", "exec", here), asker=(ip, "netns", "exec", there))
    finally:
        for name in (here, there):
            subprocess.run([ip, "netns", "delete", name], check=False)


def is_allowed(ip, *words):
    tried = f"lessonmark-{os.getpid()}-try"
    with contextlib.suppress(OSError):
        made = subprocess.run([ip, "netns", "add", tried], capture_output=True)
        subprocess.run([ip, "netns", "delete", tried], capture_output=True)
        return made.returncode == 0
    return False


@contextlib.contextmanager
def served(network, folder, *options):
    """Run `lessonmark serve`; gives the process and the lines that it said."""
    process = subprocess.Popen(
        [*network.server, *SERVE, "--folder", str(folder), "--port", "0", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "LANG": "C.UTF-8", "COLUMNS": "400"},
    )
    try:
        lines = [process.stdout.readline()]
        if "--share" in options:
            lines.append(process.stdout.readline())
        yield process, lines
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(60)
        process.stdout.close()


def ask(prefix, host, port, path, *, method="GET", **headers):
    told = subprocess.run(
        [*prefix, sys.executable, "-c", ASK, json.dumps([host, port, method, path, headers])],
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(told.stdout)


def ask_when_up(prefix, host, port, path, **headers):
    """Ask until the server listens: it says its address a moment before."""
    until = time.monotonic() + 30
    while (answer := ask(prefix, host, port, path, **headers))["status"] == "refused":
        assert time.monotonic() < until
    return answer


def port_of(line):
    return int(re.search(r"http://[\d.]+:(\d+)/", line)[1])


def outer_address(network):
    """Give the address under which the other machine reaches the server."""
    if network.server:
        return SERVER_ADDRESS
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(("192.0.2.1", 9))
        except OSError:
            pytest.skip("this machine is in no network, and none can be made")
        return asking.getsockname()[0]


def test_the_pages_are_served_to_this_machine_alone(network, tmp_path):
    with served(network, tmp_path / "data") as (process, [line]):
        port = port_of(line)
        assert f"http://127.0.0.1:{port}/" in line
        assert "token" not in line
        answer = ask_when_up(network.server, "127.0.0.1", port, "/")
        assert answer["status"] == 200
        assert "Players" in answer["text"]
        assert "default-src 'none'" in answer["headers"]["content-security-policy"]
        assert "server" not in answer["headers"]
        # A page that another site's name was bent to (DNS rebinding) gets nothing.
        assert ask(network.server, "127.0.0.1", port, "/", Host="evil.example")["status"] == 421
        # From the network there is nobody at home.
        assert ask(network.asker, outer_address(network), port, "/")["status"] == "refused"
        assert process.poll() is None
    assert check_record(tmp_path / "data") == []


def test_a_shared_record_asks_the_network_for_its_token(network, tmp_path):
    address = outer_address(network)
    with served(network, tmp_path / "data", "--share") as (_, [local, shared]):
        port = port_of(shared)
        token = re.search(rf"http://{re.escape(address)}:{port}/\?token=(\S+)", shared)[1]
        assert token in local
        assert "not encrypted" in shared
        refused = ask_when_up(network.asker, address, port, "/")
        assert refused["status"] == 401
        assert "Players" not in refused["text"]
        for wrong in ("", token[:-1], token.swapcase(), f"{token}x"):
            assert ask(network.asker, address, port, f"/?token={wrong}")["status"] == 401
        # On the coach's own machine too: other programs may run there.
        assert ask(network.server, "127.0.0.1", port, "/players/1")["status"] == 401
        # With the token: a cookie, and the token out of the address line.
        let_in = ask(network.asker, address, port, f"/?token={token}")
        assert (let_in["status"], let_in["headers"]["location"]) == (303, "/")
        cookie = let_in["headers"]["set-cookie"]
        assert "HttpOnly; SameSite=Strict" in cookie
        cookies = "; ".join(re.findall(r"(lessonmark_\w+=[^;]+)", cookie))
        if "lessonmark_token" not in cookies:
            cookies += f"; lessonmark_token={token}"
        page = ask(network.asker, address, port, "/", Cookie=cookies)
        assert page["status"] == 200
        assert "Players" in page["text"]
        # The token alone changes nothing: a form's own token is wanted as well.
        empty = {"Content-Length": "0", "Cookie": cookies}
        forged = ask(network.asker, address, port, "/players", method="POST", **empty)
        assert forged["status"] == 403
        bent = ask(network.asker, address, port, "/", Cookie=cookies, Host="evil.example")
        assert bent["status"] == 421


def test_a_taken_port_is_said_in_words(network, tmp_path):
    with served(network, tmp_path / "data") as (_, [line]):
        port = ("--port", str(port_of(line)))
        second = subprocess.run(
            [*network.server, *SERVE, "--folder", str(tmp_path / "other"), *port],
            capture_output=True,
            text=True,
            timeout=60,
        )
    assert second.returncode == 1
    assert f"port {port_of(line)} is taken" in " ".join(second.stderr.split())
    assert "Traceback" not in second.stderr


def test_a_machine_in_no_network_does_not_promise_one(tmp_path, monkeypatch):
    said = []
    monkeypatch.setattr(serve, "_local_address", lambda: "127.0.0.1")
    monkeypatch.setattr(uvicorn.Server, "run", lambda self, sockets: sockets[0].close())
    serve.serve(folder=tmp_path / "data", port=0, share=True, browser=False, tell=said.append)
    assert "in no network" in said[1]
