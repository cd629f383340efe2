"""Ask every route for nonsense, by the OpenAPI description, and look for what it should not do.

    make fuzz-routes ARGS="--schemathesis PATH"

Schemathesis is no part of the lock file (it would bring forty packages along): install it anywhere
(`pip install schemathesis`) and name its command. The pages are served over a fresh record with
the tests' stand-in for the network; the fuzzer is signed in with a session and its CSRF token. A
finding is an answer of 5xx, a leaked path of this machine, or a traceback in an answer.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import re
import shutil
import subprocess
import tempfile
import time
from pathlib import Path


def stand_in():
    """Load the tests' stand-in for the network."""
    path = Path(__file__).parents[1] / "tests" / "web" / "conftest.py"
    spec = importlib.util.spec_from_file_location("web_stand_in", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def name_what_is_there(description) -> None:
    """Have half of the numbers in addresses be those of rows that are there."""
    for operations in description["paths"].values():
        for operation in operations.values():
            for one in operation.get("parameters", []):
                if one["in"] == "path" and one["schema"].get("type") == "integer":
                    one["schema"] = {"anyOf": [{"enum": [1]}, {"type": "integer"}]}


def main() -> None:
    """Serve, fuzz, and print what schemathesis says at the end."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--schemathesis", default=shutil.which("schemathesis"))
    parser.add_argument("--examples", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    if asked.schemathesis is None:
        raise SystemExit("install schemathesis and name its command with --schemathesis")
    from lessonmark.lessons.store import open_record
    from lessonmark.web.app import create_app
    from lessonmark.web.settings import WebSettings

    tests = stand_in()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        record = open_record(folder / "data")
        app = create_app(record, tests.InventedAnalyser(), WebSettings(), work=False)
        with tests.serving(app) as address:
            coach = tests.Coach(app, address)
            player = coach.add_player()
            for n in range(2):
                clip = tests.write_numbered_clip(folder / f"{n}.mp4", frames=24, tint=40 * n)
                coach.send_clip(player, clip.read_bytes(), f"IMG_{n}.MP4")
            coach.work()
            description = app.openapi()
            # Erasing would leave the other routes nothing to be asked for.
            description["paths"].pop("/players/{player_id}/erase", None)
            name_what_is_there(description)
            (folder / "openapi.json").write_text(json.dumps(description))
            csrf, session = coach.csrf, coach.client.cookies["lessonmark_session"]
            start = time.monotonic()
            ended = subprocess.run(
                [
                    *(asked.schemathesis, "run", str(folder / "openapi.json")),
                    *("--url", address, "--checks", "not_a_server_error"),
                    *("-H", f"x-lessonmark-csrf: {csrf}"),
                    *("-H", f"cookie: lessonmark_session={session}"),
                    *("-n", str(asked.examples), "--seed", str(asked.seed)),
                    *("--phases", "examples,coverage,fuzzing", "--continue-on-failure"),
                    *("--suppress-health-check", "all", "--no-color"),
                ],
                capture_output=True,
                text=True,
                cwd=folder,  # it leaves a folder of its own
            )
            took = time.monotonic() - start
            said = ended.stdout.replace(str(folder), "FOLDER")
            print(re.sub(r"lessonmark_session=\S+|csrf: \w+", "...", said)[-12_000:])
            leaks = re.findall(r"(?:/(?:home|root|tmp)/|Traceback \(most recent)[^\s\"]*", said)
            print(f"{took:.0f} s, {len(description['paths'])} paths; leaked paths: {leaks[:5]}")
            coach.client.close()
        record.close()


if __name__ == "__main__":
    main()
