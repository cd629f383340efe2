"""A few kill -9 of each kind; `bench/kills.py` does twenty of each."""

import importlib.util
import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).parents[2] / "bench" / "kills.py"
KILLS = 2


@pytest.fixture(scope="module")
def kills():
    spec = importlib.util.spec_from_file_location("kills", BENCH)
    module = importlib.util.module_from_spec(spec)
    sys.modules["kills"] = module  # a dataclass looks its module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def worker(kills):
    started = kills.Worker()
    yield started
    started.close()


@pytest.mark.parametrize("work", ["import", "analysis", "migration", "erasure"])
def test_a_killed_program_loses_nothing(kills, worker, work):
    outcome = kills.try_work(worker, work, KILLS)  # raises SystemExit at the first loss
    assert outcome.killed == KILLS or outcome.finished == kills.TRIES * KILLS
