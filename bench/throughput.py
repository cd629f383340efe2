"""Clips an hour through the real queue against the bare network's limit, and cost as archives grow.

    make bench-throughput                      # all three tables
    make bench-throughput ARGS="clips"         # or 'workers', 'archive'

`clips`: processor time of one clip, everything in it, over the landmark network alone on every
frame, on one core; other programs cannot stretch it. `workers`: the demo's clips through a fresh
record's queue, one at a time on one thread, one at a time on all cores, and as many at once as
cores; beside it the bare network on all cores at once, wall time. `archive`: the pages' times and
the queue's cost a clip at 100, 1,000 and 10,000 swings, with the tests' stand-in for the network.
"""

from __future__ import annotations

import argparse
import importlib.util
import multiprocessing
import os
import statistics
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
from sqlalchemy import func, select

from lessonmark.lessons import clip_process
from lessonmark.lessons.arrivals import Arrival, bring_in
from lessonmark.lessons.lesson_file import read_lesson_file
from lessonmark.lessons.own_analyser import OwnAnalyser
from lessonmark.lessons.record import Clip, ClipState, Player
from lessonmark.lessons.store import open_record
from lessonmark.lessons.threads import core_count, settle_threads
from lessonmark.lessons.work import Workshop
from lessonmark.media.frames import read_frame_nearest, read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.tracks.detector import PersonDetector
from lessonmark.tracks.landmarks import LandmarkNetwork

DEMO = Path(__file__).parents[1] / "demo" / "lesson"
CLIPS = 6
BARE_RUNS = 150


def demo_clips() -> list[Path]:
    """Face-on and down-the-line clips of the demo."""
    return [DEMO / entry.file for entry in read_lesson_file(DEMO).clip][:CLIPS]


def frames_of(paths: list[Path]) -> int:
    """Count the frames of clips."""
    return sum(sum(1 for _ in read_frames(probe_clip(path), grey=True)) for path in paths)


def run_bare(runs: int) -> float:
    """Run the landmark network alone that often; gives the seconds, without its start."""
    settle_threads()
    network = LandmarkNetwork(threads=1)
    first = read_frame_nearest(probe_clip(demo_clips()[0]), 0.1).image
    region = PersonDetector().find(first)[0].region
    network.locate(first, region)
    start = time.perf_counter()
    for _ in range(runs):
        network.locate(first, region)
    return time.perf_counter() - start


def bare_at_once(processes: int) -> float:
    """Frames a second of the bare network, one process a core, all at once."""
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        pool.map(run_bare, [5] * processes, chunksize=1)  # started and loaded
        took = pool.map(run_bare, [BARE_RUNS] * processes, chunksize=1)
    return sum(BARE_RUNS / one for one in took)


def fill(record, paths: list[Path]) -> None:
    """Put the clips into the queue, as a coach's upload does."""
    with record.writing() as session:
        player = Player(name="Bench", search="bench", stature_cm=178.0)
        session.add(player)
        session.flush()
        arrivals = []
        for n, path in enumerate(paths):
            with path.open("rb") as file:
                kept = record.files.keep_stream(file, ".mp4")
            at = datetime(2026, 5, 4, 9, tzinfo=UTC) + timedelta(minutes=n)
            arrivals.append(
                Arrival(kept=kept, name=path.name, folder=str(path.parent), filmed_at=at)
            )
        bring_in(session, player.id, arrivals, now=datetime.now(UTC))


def queue_seconds(paths: list[Path], *, workers: int, threads: int | None) -> float:
    """Seconds from the start of the work until every clip is measured and its lesson judged."""
    given = clip_process.network_threads
    if threads is not None:
        clip_process.network_threads = lambda at_once: threads
    with tempfile.TemporaryDirectory() as scratch:
        record = open_record(Path(scratch) / "data")
        analyser = OwnAnalyser()
        fill(record, paths[:1])
        Workshop(record, analyser).work_through()  # the processes are started and warm
        fill(record, paths)
        workshop = Workshop(record, analyser, workers=workers)
        start = time.perf_counter()
        workshop.start()
        while not _done(record, len(paths) + 1):
            time.sleep(0.05)
        took = time.perf_counter() - start
        workshop.stop()
        analyser.close()
        record.close()
    clip_process.network_threads = given
    return took


def _done(record, clips: int) -> bool:
    with record.reading() as session:
        done = session.scalar(select(func.count()).where(Clip.state == ClipState.DONE))
        failed = session.scalars(select(Clip.problem).where(Clip.state == ClipState.FAILED)).all()
    if failed:
        raise SystemExit(f"a clip failed: {failed}")
    return done == clips


def clips() -> None:
    """Print the processor time of a clip over the bare network's."""
    import cv2

    from lessonmark.lessons.clip_analysis import analyse_clip
    from lessonmark.lessons.clip_settings import clip_settings
    from lessonmark.lessons.derived import Derived
    from lessonmark.tracks.body import BodyTracker

    settle_threads()
    cv2.setNumThreads(1)
    lesson = read_lesson_file(DEMO)
    tracker = BodyTracker(threads=1)
    whole, bare, frames = 0.0, 0.0, 0
    for entry in lesson.clip[:CLIPS]:
        with tempfile.TemporaryDirectory() as scratch:
            start = time.process_time()
            analyse_clip(
                DEMO / entry.file,
                clip_settings(lesson, entry, heavy=False),
                derived=Derived(Path(scratch)),
                tracker=lambda: tracker,
            )
            whole += time.process_time() - start
        frames += frames_of([DEMO / entry.file])
    start = time.process_time()
    run_bare(BARE_RUNS)
    bare = (time.process_time() - start) / BARE_RUNS * frames
    print(f"{CLIPS} clips, {frames} frames, one core, processor time; {machine()}\n")
    print("| what | s a clip | clips an hour and core | of the bare network's limit |")
    print("| --- | --- | --- | --- |")
    for name, took in (("bare network, every frame", bare), ("everything", whole)):
        a_clip = took / CLIPS
        print(f"| {name} | {a_clip:.2f} | {3600 / a_clip:.0f} | {100 * bare / took:.0f} % |")


def workers() -> None:
    """Print clips an hour through the queue with one and with more workers."""
    paths, cores = demo_clips(), core_count()
    frames = frames_of(paths)
    rows = [
        ("one at a time, one thread", 1, 1),
        (f"one at a time, {cores} threads", 1, cores),
        (f"{cores} at once, one thread each", cores, 1),
    ]
    print(f"{len(paths)} clips, {frames} frames, {cores} cores, wall time; {machine()}\n")
    print("| queue | s | clips an hour | over one at a time |\n| --- | --- | --- | --- |")
    first = None
    for name, count, threads in rows:
        took = queue_seconds(paths, workers=count, threads=threads)
        first = first or took
        print(f"| {name} | {took:.1f} | {3600 * len(paths) / took:.0f} | {first / took:.2f} |")
    took = frames / statistics.median(bare_at_once(cores) for _ in range(3))
    limit = 3600 * len(paths) / took
    print(f"| bare network, every frame, {cores} cores | {took:.1f} | {limit:.0f} | |")
    print(f"\nat the end: {machine()}")


def archive() -> None:
    """Print pages' times and the queue's cost a clip as the archive grows."""
    spec = importlib.util.spec_from_file_location("web", Path(__file__).with_name("web.py"))
    web = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(web)
    print(f"median of 40 requests, processor time in brackets; {machine()}\n")
    print("| swings | list, ms | player, ms | sheet, ms | queue a clip, ms |")
    print("| --- | --- | --- | --- | --- |")
    for swings in (100, 1_000, 10_000):
        web.PLAYERS = 1 + max(2, swings // (web.LESSONS * web.SWINGS))
        with tempfile.TemporaryDirectory() as scratch:
            record, app, tests = web.measured_lesson(Path(scratch))
            web.seed(record)
            cells = []
            with tests.serving(app) as address, httpx.Client(base_url=address) as client:
                for path in ("/", f"/players/{web.PLAYERS}", f"/lessons/{10_000 + 8}"):
                    cells.append(asked(client, path))
            cells.append(queue_ms(record, tests, Path(scratch)))
            print(f"| {swings:,} | {' | '.join(cells)} |", flush=True)
            record.close()


def asked(client: httpx.Client, path: str) -> str:
    """Ask forty times; median wall and mean processor time, ms."""
    client.get(path).raise_for_status()
    took, cpu = [], time.process_time()
    for _ in range(40):
        start = time.perf_counter()
        client.get(path)
        took.append(1000 * (time.perf_counter() - start))
    return f"{statistics.median(took):.0f} ({1000 * (time.process_time() - cpu) / 40:.0f})"


def queue_ms(record, tests, folder: Path) -> str:
    """Time ten clips of a new player through the queue with the stand-in; ms a clip."""
    paths = [
        tests.write_numbered_clip(folder / f"q{n}.mp4", frames=24, tint=20 * n) for n in range(10)
    ]
    fill(record, paths)
    analyser = tests.InventedAnalyser()
    start, cpu = time.perf_counter(), time.process_time()
    assert Workshop(record, analyser).work_through() == 10
    took = (time.perf_counter() - start) / 10
    return f"{1000 * took:.0f} ({1000 * (time.process_time() - cpu) / 10:.0f})"


def machine() -> str:
    """Say what this ran on: others may be using it."""
    return f"load {os.getloadavg()[0]:.1f}, {datetime.now():%Y-%m-%d}"


PARTS = {"clips": clips, "workers": workers, "archive": archive}

if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], default=[])
    parser.add_argument("--clips", type=int, default=CLIPS, help="of the demo, for 'workers'")
    asked_for = parser.parse_args()
    CLIPS = asked_for.clips
    for part in asked_for.parts or PARTS:
        PARTS[part]()
        print()
