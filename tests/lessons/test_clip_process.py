"""A clip's process can die or be stopped, and the next clip goes on; with the real network."""

import multiprocessing
import os
import signal
import threading
from pathlib import Path

import pytest

from lessonmark.errors import UnreadableClip
from lessonmark.lessons.analyser import ClipJob
from lessonmark.lessons.clip_process import AnalysisEnded, ClipProcess
from lessonmark.lessons.threads import core_count, network_threads
from lessonmark.words import Handedness, Stage, View

DEMO = Path(__file__).parents[2] / "demo" / "lesson" / "before" / "face-on"


def job(folder, name="clip_00.mp4"):
    folder.mkdir(exist_ok=True)
    path = DEMO / name if name.startswith("clip") else folder / name
    return ClipJob(
        path=path,
        clip=name,
        sha256="0" * 64,
        stage=Stage.BEFORE,
        view=View.FACE_ON,
        handedness=Handedness.RIGHT,
        stature_cm=178.0,
        club_length_cm=94.0,
        fps_declared=None,
        derived=folder,
    )


@pytest.fixture
def process():
    started = ClipProcess(processes=2)
    yield started
    started.close()
    assert [p for p in multiprocessing.active_children() if p.name == "clip-process"] == []


def children():
    return [p for p in multiprocessing.active_children() if p.name == "clip-process"]


@pytest.mark.network_weights
def test_a_killed_process_is_told_and_the_next_clip_goes_on(process, tmp_path):
    def kill_it(share):
        if share > 0.1:
            for child in children():
                os.kill(child.pid, signal.SIGKILL)

    with pytest.raises(AnalysisEnded, match="ended from outside"):
        process.analyse(job(tmp_path / "a"), kill_it)
    finding = process.analyse(job(tmp_path / "a"), lambda share: None)
    assert len(finding.swings) == 1
    assert finding.made_with is not None


@pytest.mark.network_weights
def test_what_the_teller_raises_ends_the_analysis_at_once(process, tmp_path):
    class Withdrawn(Exception):
        pass

    def withdraw(share):
        if share > 0.05:
            raise Withdrawn

    with pytest.raises(Withdrawn):
        process.analyse(job(tmp_path / "a"), withdraw)
    assert children() == []
    assert list((tmp_path / "a").glob("clip-*.json")) == []


def test_a_clip_that_cannot_be_used_leaves_the_process_for_the_next(process, tmp_path):
    (tmp_path / "x.mp4").write_text("no video")
    for _ in range(2):
        with pytest.raises(UnreadableClip, match="text file"):
            process.analyse(job(tmp_path, "x.mp4"), lambda share: None)
    assert len(children()) == 1


def test_two_clips_are_under_way_at_once(process, tmp_path):
    both = threading.Barrier(2, timeout=120)
    met = []

    def meet(share):
        if not met:
            both.wait()  # passes only where the other clip is being analysed too
            met.append(True)
        raise InterruptedError

    def analyse(name):
        with pytest.raises(InterruptedError):
            process.analyse(job(tmp_path / name), meet)

    threads = [threading.Thread(target=analyse, args=(name,)) for name in "ab"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert met


def test_cores_are_shared_out_among_the_clips():
    assert network_threads(1) == core_count()
    assert network_threads(core_count()) == 1
    assert network_threads(100 * core_count()) == 1
