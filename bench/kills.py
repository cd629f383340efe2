"""Kill the program at random moments during import, analysis, migration and erasure.

    python bench/kills.py [times]

After every kill -9 the record is opened again and must pass its own check: SQLite's integrity and
reference checks, every clip's hash, nothing half-erased, nothing lost; then the work is finished.
Prints a table; exits with 1 at the first loss.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

CHILD = Path(__file__).with_name("kills_child.py")
TIMES = 20
TRIES = 3


@dataclass
class Outcome:
    """What came of the kills of one kind of work."""

    killed: int = 0  # before the work was done
    finished: int = 0  # the work was quicker than the kill


class Worker:
    """The process that forks a child for each piece of work."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(CHILD)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )
        self._wait_for("ready")

    def run(self, work: str, folder: Path) -> str:
        """Do a piece of work to its end and give its last words."""
        self._ask(work, folder)
        words = self._wait_for("said", "ended")
        if words.startswith("ended"):
            raise SystemExit(f"{work} failed")
        self._wait_for("ended")
        return words.removeprefix("said ")

    def time(self, work: str, folder: Path) -> float:
        """Do a piece of work and give the seconds from its beginning to its end."""
        self._ask(work, folder)
        self._wait_for("begun")
        start = time.monotonic()
        self._wait_for("ended")
        return time.monotonic() - start

    def kill(self, work: str, folder: Path, after_s: float) -> bool:
        """Start a piece of work and kill it; gives whether it was still running."""
        self._ask(work, folder)
        pid = int(self._wait_for("begun").split()[1])
        time.sleep(after_s)
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
        return self._wait_for("ended") == f"ended {-signal.SIGKILL}"

    def close(self) -> None:
        """End it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait()
        self._process.stdout.close()

    def _ask(self, work: str, folder: Path) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{work} {folder}\n")
        self._process.stdin.flush()

    def _wait_for(self, *heads: str) -> str:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.startswith(heads):
                return line.strip()
        raise SystemExit("the worker is gone")


def try_work(worker: Worker, work: str, times: int, seed: int = 5) -> Outcome:
    """Kill one kind of work so often in the middle, each from a fresh copy of one beginning."""
    draw = random.Random(f"{work}{seed}")
    outcome = Outcome()
    with tempfile.TemporaryDirectory() as scratch:
        start, timed = Path(scratch) / "start", Path(scratch) / "timed"
        worker.run(f"prepare-{work}", start)
        shutil.copytree(start, timed)
        longest_s = worker.time(work, timed)
        # What was quicker than the kill shows nothing and is tried again.
        while outcome.killed < times and outcome.finished < TRIES * times:
            n = outcome.killed + outcome.finished
            folder = Path(scratch) / f"try-{n}"
            shutil.copytree(start, folder)
            if worker.kill(work, folder, draw.uniform(0.0, longest_s)):
                outcome.killed += 1
            else:
                outcome.finished += 1
            answer = worker.run(f"check-{work}", folder)
            if answer != "sound":
                raise SystemExit(f"{work}, kill {n}: {answer}")
            shutil.rmtree(folder)
    return outcome


def main() -> None:
    """Print the table."""
    times = int(sys.argv[1]) if len(sys.argv) > 1 else TIMES
    print("| work | kills | already done | lost |")
    print("| --- | --- | --- | --- |")
    worker = Worker()
    for work in ("import", "analysis", "migration", "erasure"):
        outcome = try_work(worker, work, times)
        print(f"| {work} | {outcome.killed} | {outcome.finished} | 0 |", flush=True)
    worker.close()


if __name__ == "__main__":
    main()
