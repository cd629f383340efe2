"""A real PostgreSQL server, a real Dask scheduler, two workers; one of them is killed.

The network is a stand-in (`cluster_stand_in.py`); queue, record, store, measures and verdicts are
the real ones. The store is a folder through fsspec.
"""

import importlib
import io
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import av
import pytest
from sqlalchemy import func, select

from lessonmark.errors import RecordError
from lessonmark.lessons import cluster as cluster_module
from lessonmark.lessons import remeasure, versions
from lessonmark.lessons.arrivals import Arrival, bring_in
from lessonmark.lessons.cluster import ClusterWork, drain_here, drain_on_cluster
from lessonmark.lessons.jobs import read_swing
from lessonmark.lessons.record import Clip, ClipState, Focus, FormerFinding, Lesson, Player, Swing
from lessonmark.lessons.shared_files import SharedFiles
from lessonmark.lessons.store import open_record
from lessonmark.lessons.work import Workshop
from lessonmark.words import Position, View

SINCE = date(2026, 1, 1)
CLIPS = 6
HERE = Path(__file__).parent
DEMO = HERE.parents[1] / "demo"
TRUE_CLIP = "after/face-on/clip_00.mp4"
sys.path.append(str(HERE))
stand_in = importlib.import_module("cluster_stand_in")  # as the workers import it
NEW, OLD = stand_in.NEW, stand_in.OLD


@pytest.fixture
def academy(tmp_path, postgres_database, monkeypatch):
    """A record on a server and in a store, with one lesson that version OLD measured."""
    monkeypatch.setenv("LESSONMARK_STORE", f"file://{tmp_path / 'store'}")
    monkeypatch.setattr(versions, "clip_version", lambda *, heavy=False: NEW.version)
    record = open_record(tmp_path / "driver", database=postgres_database)
    fill(record, tmp_path)
    yield record
    record.close()


def fill(record, folder):
    pages = stand_in.pages_tests()
    started = datetime(2026, 5, 4, 9, tzinfo=UTC)
    with record.writing() as session:
        player = Player(name="Wilma Testerly", search="wilma testerly", stature_cm=170.0)
        session.add(player)
        session.flush()
        arrivals = []
        for n in range(CLIPS):
            path = pages.write_numbered_clip(folder / "one.mp4", frames=24, tint=20 * n)
            with path.open("rb") as file:
                kept = record.files.keep_stream(file, ".mp4")
            at = started + timedelta(minutes=n + (20 if n >= CLIPS // 2 else 0))
            arrivals.append(Arrival(kept=kept, name=f"IMG_{n}.MP4", filmed_at=at))
        bring_in(session, player.id, arrivals, now=started)
        lesson = session.scalars(select(Lesson)).one()
        lesson.focus = [
            Focus(rank=1, at="side_bend@P6", view=View.FACE_ON, direction="more", smallest_worth=3)
        ]
    analyser = pages.InventedAnalyser()
    analyser.bends |= {f"IMG_{n}": 6.0 if n < CLIPS // 2 else 26.0 for n in range(CLIPS)}
    measure = analyser.analyse_clip
    analyser.analyse_clip = lambda job, tell: replace(measure(job, tell), made_with=OLD)
    Workshop(record, analyser).work_through()


class Cluster:
    """A scheduler and its workers, each a process of its own."""

    def __init__(self, folder, env):
        self.folder, self.env = folder, env
        self.file = folder / "scheduler.json"
        self.processes = []
        self.start("scheduler", "--port", "0", "--scheduler-file", self.file, "--no-show")
        until = time.monotonic() + 60
        while not self.file.exists():
            assert time.monotonic() < until, "the scheduler did not start"
            time.sleep(0.1)

    def start(self, kind, *options):
        command = [sys.executable, "-m", "dask", kind, *map(str, options), "--host", "127.0.0.1"]
        with (self.folder / f"{kind}-{len(self.processes)}.log").open("w") as log:
            process = subprocess.Popen(command, env=self.env, stdout=log, stderr=log)
        self.processes.append(process)
        return process

    def add_worker(self, name):
        own = self.folder / name
        own.mkdir()
        return self.start(
            "worker",
            *("--scheduler-file", self.file, "--nthreads", "1", "--no-nanny"),
            *("--name", name, "--local-directory", own),
        )

    @property
    def address(self):
        return json.loads(self.file.read_text())["address"]

    def close(self):
        for process in reversed(self.processes):
            process.kill()
            process.wait(30)


@pytest.fixture
def cluster(tmp_path):
    env = os.environ | {
        "PYTHONPATH": str(HERE),
        "CLUSTER_STAND_IN_LOG": str(tmp_path / "log"),
        "LESSONMARK_STORE": f"file://{tmp_path / 'store'}",
        "LESSONMARK_DATA": str(tmp_path / "workers"),
        "DASK_DISTRIBUTED__WORKER__MEMORY__TERMINATE": "False",
    }
    started = Cluster(tmp_path, env)
    yield started
    started.close()


def logged(folder, word):
    path = folder / "log"
    lines = path.read_text().splitlines() if path.exists() else []
    return [line.split()[1:] for line in lines if line.startswith(word)]


def test_a_killed_worker_loses_nothing_and_nothing_is_done_twice(
    academy, cluster, tmp_path, postgres_database
):
    workers = {w.pid: w for w in (cluster.add_worker("one"), cluster.add_worker("two"))}
    assert remeasure.ask_anew(academy, SINCE) == CLIPS
    work = ClusterWork(
        database=postgres_database, analyser="cluster_stand_in:slow_analyser", lease_s=3.0
    )
    told = []
    driver = threading.Thread(
        target=drain_on_cluster, args=(academy, cluster.address, told.append), kwargs={"work": work}
    )
    driver.start()
    until = time.monotonic() + 120
    while len({pid for pid, _ in logged(tmp_path, "begun")}) < 2:
        assert time.monotonic() < until, "two workers never worked at once"
        time.sleep(0.05)
    pid, clip = next(
        (pid, clip)
        for pid, clip in logged(tmp_path, "begun")[::-1]
        if [pid, clip] not in logged(tmp_path, "ended")
    )
    os.kill(int(pid), signal.SIGKILL)
    assert workers[int(pid)].wait(30) == -signal.SIGKILL
    driver.join(120)
    assert not driver.is_alive()
    assert told[-1] == 0

    begun = Counter(clip for _, clip in logged(tmp_path, "begun"))
    assert begun[clip] == 2  # the one that was cut off
    assert sum(begun.values()) == CLIPS + 1
    with academy.reading() as session:
        clips = session.scalars(select(Clip)).all()
        assert [one.measured_with for one in clips] == [NEW.version] * CLIPS
        assert {(one.taken_by, one.tries, one.problem) for one in clips} == {("", 0, "")}
        assert session.scalar(select(func.count()).select_from(Swing)) == CLIPS
        kept = session.scalars(select(FormerFinding.measured_with)).all()
        assert len([one for one in kept if OLD.version in one]) == 1
    state = remeasure.archive_state(academy, SINCE)
    assert (state.clips, state.current, state.waiting, state.refused) == (CLIPS, CLIPS, 0, 0)

    assert remeasure.ask_anew(academy, SINCE) == 0  # asked twice, nothing is measured twice
    (pair,) = remeasure.verdict_pairs(academy, SINCE)
    assert pair.changed
    assert pair.difference_before == pytest.approx(20, abs=3)
    assert pair.difference_after == pytest.approx(0, abs=3)


def every_second_frame(source, target):
    """Write a clip again with half its frames: half the work for the network."""
    with av.open(str(source)) as clip, av.open(str(target), "w") as out:
        video = clip.streams.video[0]
        stream = out.add_stream(
            "libx264",
            rate=int(video.average_rate) // 2,
            options={"crf": "18", "preset": "ultrafast"},
        )
        stream.width, stream.height, stream.pix_fmt = video.width, video.height, "yuv420p"
        for n, frame in enumerate(clip.decode(video)):
            if n % 2 == 0:
                out.mux(stream.encode(av.VideoFrame.from_ndarray(frame.to_ndarray(format="rgb24"))))
        out.mux(stream.encode())
    return target


@pytest.mark.network_weights
def test_a_worker_that_is_killed_while_the_real_network_runs(
    tmp_path, postgres_database, monkeypatch, cluster
):
    """One clip of the demo, nothing stands in; what comes out is held to the clip's true times."""
    monkeypatch.setenv("LESSONMARK_STORE", f"file://{tmp_path / 'store'}")
    record = open_record(tmp_path / "driver", database=postgres_database)
    clip = every_second_frame(DEMO / "lesson" / TRUE_CLIP, tmp_path / "clip.mp4")
    with record.writing() as session, clip.open("rb") as file:
        player = Player(name="Robin Demonstrand", stature_cm=184.0)
        session.add(player)
        session.flush()
        kept = record.files.keep_stream(file, ".mp4")
        at = datetime(2026, 5, 4, 9, tzinfo=UTC)
        bring_in(session, player.id, [Arrival(kept=kept, name="A.MP4", filmed_at=at)], now=at)
        session.scalars(select(Clip)).one().view = View.FACE_ON
    workers = [cluster.add_worker("one"), cluster.add_worker("two")]
    work = ClusterWork(database=postgres_database, lease_s=2.0)
    driver = threading.Thread(
        target=drain_on_cluster,
        args=(record, cluster.address, lambda left: None),
        kwargs={"work": work},
    )
    driver.start()

    def now():
        with record.reading() as session:
            return session.scalars(select(Clip)).one()

    until = time.monotonic() + 120
    while not 0.05 < now().progress < 0.6:
        assert time.monotonic() < until, "the network never began"
        time.sleep(0.1)
    pid = int(now().taken_by.split(":")[1])
    os.kill(pid, signal.SIGKILL)
    (killed,) = [one for one in workers if one.pid == pid]
    killed.wait(30)
    driver.join(120)
    assert not driver.is_alive()
    assert (now().state, now().problem, now().taken_by) == (ClipState.DONE, "", "")
    with record.reading() as session:
        (swing,) = session.scalars(select(Swing)).all()
        found = read_swing(swing).positions.found
    truth = json.loads((DEMO / "truth.json").read_text())[TRUE_CLIP]["positions"]
    for position in (Position.P4, Position.P6, Position.P7):
        assert found[position].time.s == pytest.approx(truth[position.value]["time"], abs=0.015)
    record.close()


def test_without_a_cluster_the_same_command_works_here(academy, tmp_path, monkeypatch):
    monkeypatch.setenv("CLUSTER_STAND_IN_LOG", str(tmp_path / "log"))
    assert remeasure.ask_anew(academy, SINCE) == CLIPS
    drain_here(academy, stand_in.slow_analyser(False), lambda left: None, workers=3)
    assert Counter(clip for _, clip in logged(tmp_path, "begun")).total() == CLIPS
    assert remeasure.archive_state(academy, SINCE).current == CLIPS
    assert remeasure.ask_anew(academy, date(2026, 6, 1)) == 0


def test_only_lessons_since_the_day_are_measured_again(academy):
    assert remeasure.ask_anew(academy, date(2026, 5, 5)) == 0
    assert remeasure.ask_anew(academy, date(2026, 5, 4)) == CLIPS
    assert remeasure.ask_anew(academy, date(2026, 5, 4)) == 0  # they wait already


def test_a_scheduler_that_is_not_there_is_said(academy, monkeypatch):
    monkeypatch.setattr(cluster_module, "ANSWERS_WITHIN_S", 1)
    remeasure.ask_anew(academy, SINCE)
    with pytest.raises(RecordError, match="scheduler does not answer"):
        drain_on_cluster(academy, "tcp://127.0.0.1:9", print, work=ClusterWork())


@pytest.mark.parametrize("url", ["file://{folder}", "memory://academy-{name}"])
def test_a_store_gives_back_to_another_machine_what_one_put_in(tmp_path, url):
    where = url.format(folder=tmp_path / "far", name=tmp_path.name)
    one, two = SharedFiles(tmp_path / "one", where), SharedFiles(tmp_path / "two", where)
    kept = one.keep_stream(io.BytesIO(b"a clip" * 1000), ".mp4")
    (one.derived(kept.sha256) / "clip-1.json").write_bytes(b"{}")
    one.publish_derived(kept.sha256)
    uid = "a" * 32
    (one.lesson_folder(uid) / "pictures").mkdir()
    (one.lesson_folder(uid) / "pictures" / "1.jpeg").write_bytes(b"a picture")
    one.publish_lesson(uid)
    assert two.load(kept.sha256).read_bytes() == b"a clip" * 1000
    assert (two.derived(kept.sha256) / "clip-1.json").read_bytes() == b"{}"
    assert (two.lesson_folder(uid) / "pictures" / "1.jpeg").read_bytes() == b"a picture"
    two.remove_media(kept.sha256)
    two.remove_lesson(uid)
    assert list(one.far()) == []  # an erasure reaches the store


def test_a_file_that_was_altered_in_the_store_is_refused(tmp_path):
    where = f"file://{tmp_path / 'far'}"
    kept = SharedFiles(tmp_path / "one", where).keep_stream(io.BytesIO(b"a clip"), ".mp4")
    far = tmp_path / "far" / "files" / kept.sha256[:2] / f"{kept.sha256}.mp4"
    far.chmod(0o644)
    far.write_bytes(b"b clip")
    with pytest.raises(RecordError, match="altered in the store"):
        SharedFiles(tmp_path / "two", where).load(kept.sha256)


@pytest.mark.parametrize(
    ("url", "words"),
    [("nosuch://x", "no address of a store"), ("s3://bucket", "not installed|no address")],
)
def test_a_store_that_cannot_be_opened_is_said(tmp_path, url, words):
    with pytest.raises(RecordError, match=words):
        SharedFiles(tmp_path, url)
