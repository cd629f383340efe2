"""The same clip and version give the same bytes, whatever the cores; versions stay beside numbers.

Each run is a process of its own with its own hash seed, threads and folder.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.lessons.derived import body_key, clip_key
from lessonmark.lessons.versions import made_with
from lessonmark.tracks.weights import DETECTOR, FULL
from lessonmark.words import Handedness, Stage, View

CLIP = Path(__file__).parents[2] / "demo" / "lesson" / "before" / "face-on" / "clip_00.mp4"
SETTINGS = ClipSettings(
    clip="clip.mp4",
    view=View.FACE_ON,
    stage=Stage.BEFORE,
    handedness=Handedness.RIGHT,
    mirrored=False,
    fps_declared=None,
    stature_cm=178.0,
    club_length_cm=94.0,
    air_temperature_c=15.0,
    heavy=False,
)
CHILD = """
import sys
from pathlib import Path
from lessonmark.lessons.clip_analysis import analyse_clip
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.threads import settle_threads
from lessonmark.tracks.body import BodyTracker
sys.path.insert(0, sys.argv[4])
from test_reproducible import SETTINGS
settle_threads()
analyse_clip(Path(sys.argv[1]), SETTINGS, derived=Derived(Path(sys.argv[2])),
             tracker=lambda: BodyTracker(threads=int(sys.argv[3])))
"""


def run_apart(folder, *, threads, seed):
    """Measure the clip in a process of its own; gives the SHA-256 of every file it left."""
    env = os.environ | {"PYTHONHASHSEED": str(seed), "OPENBLAS_NUM_THREADS": str(threads)}
    subprocess.run(
        [sys.executable, "-c", CHILD, CLIP, folder, str(threads), Path(__file__).parent],
        check=True,
        env=env,
        timeout=300,
    )
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.iterdir())
    }


@pytest.mark.network_weights
def test_two_processes_with_other_threads_and_seeds_leave_the_same_bytes(tmp_path):
    first = run_apart(tmp_path / "a", threads=1, seed=1)
    second = run_apart(tmp_path / "b", threads=2, seed=2)
    assert set(first) == {
        f"{body_key(_sha256(), SETTINGS)}.nc",
        f"{clip_key(_sha256(), SETTINGS)}.nc",
        f"{clip_key(_sha256(), SETTINGS)}.json",
    }
    assert first == second

    # A run that was killed after the body's track and taken up again ends with the same bytes.
    (tmp_path / "c").mkdir()
    body = f"{body_key(_sha256(), SETTINGS)}.nc"
    shutil.copyfile(tmp_path / "a" / body, tmp_path / "c" / body)
    assert run_apart(tmp_path / "c", threads=1, seed=3) == first

    finding = json.loads((tmp_path / "a" / f"{clip_key(_sha256(), SETTINGS)}.json").read_bytes())
    kept = finding["made_with"]
    assert kept["networks"] == {one.file: one.sha256 for one in (DETECTOR, FULL)}
    assert kept["settings"]["stature_cm"] == 178.0
    assert kept["libraries"]["numpy"]


def _sha256():
    return hashlib.sha256(CLIP.read_bytes()).hexdigest()


@pytest.mark.parametrize(
    "change", [{"stature_cm": 180.0}, {"heavy": True}, {"view": View.DOWN_THE_LINE}], ids=str
)
def test_other_settings_are_another_result(change):
    assert clip_key("0" * 64, replace(SETTINGS, **change)) != clip_key("0" * 64, SETTINGS)


def test_the_version_hangs_on_network_code_and_libraries_and_not_on_settings():
    now = made_with(SETTINGS)
    assert made_with(replace(SETTINGS, stature_cm=160.0)).version == now.version
    for change in (
        {"networks": {DETECTOR.file: "0" * 64}},
        {"code": "0" * 64},
        {"libraries": {**now.libraries, "numpy": "0.0"}},
        {"software": "9.9"},
    ):
        assert replace(now, **change).version != now.version
