"""The workers' stand-in for the network: slow on purpose, and it writes down what it begins."""

import importlib.util
import os
import time
from dataclasses import replace
from pathlib import Path

from lessonmark.lessons.made_with import MadeWith

OLD = MadeWith(software="0.1.0", code="a" * 64, networks={}, libraries={}, settings={})
NEW = replace(OLD, software="0.2.0", code="b" * 64)
STEPS, STEP_S = 8, 0.25


def pages_tests():
    path = Path(__file__).parents[1] / "web" / "conftest.py"
    spec = importlib.util.spec_from_file_location("web_stand_in", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def slow_analyser(heavy):
    """Measure with version NEW, under which nobody bends more after than before."""
    analyser = pages_tests().InventedAnalyser()
    analyser.bends |= {f"IMG_{n}": 6.0 for n in range(8)}
    measure = analyser.analyse_clip

    def analyse_clip(job, tell):
        note(f"begun {os.getpid()} {job.clip}")
        for step in range(STEPS):
            time.sleep(STEP_S)
            tell(step / STEPS)
        finding = replace(measure(job, tell), made_with=NEW)
        note(f"ended {os.getpid()} {job.clip}")
        return finding

    analyser.analyse_clip = analyse_clip
    return analyser


def note(line):
    with open(os.environ["CLUSTER_STAND_IN_LOG"], "a") as file:
        file.write(line + "\n")
