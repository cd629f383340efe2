"""The pipeline's time for a clip over the bare network's for the same frames, in one run.

    make bench-speed            # one core each, the demo's first face-on clip
    .venv/bin/python bench/speed.py CLIP

The bare network runs the landmark network alone on one decoded crop, once for every frame of the
clip. The pipeline does everything: decoding, detection, the body's track, club, ball, sound,
positions, measures. Both are pinned to one core and run with one thread, three times in turn; the
ratio of the medians counts. Peak memory is that of the process that runs the pipeline.
"""

from __future__ import annotations

import os
import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

from lessonmark.lessons.clip_analysis import analyse_clip
from lessonmark.lessons.clip_settings import clip_settings
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.lesson_file import read_lesson_file
from lessonmark.media.frames import read_frame_nearest, read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.tracks.body import BodyTracker
from lessonmark.tracks.detector import PersonDetector
from lessonmark.tracks.landmarks import LandmarkNetwork

DEMO = Path(__file__).parents[1] / "demo" / "lesson"
ROUNDS = 3
AIM = 1.25


def main() -> None:
    """Time both in turn and print the table."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    cv2.setNumThreads(1)
    lesson = read_lesson_file(DEMO)
    wanted = sys.argv[1] if len(sys.argv) > 1 else lesson.clip[0].file
    entry = next(clip for clip in lesson.clip if clip.file == wanted)
    settings = clip_settings(lesson, entry, heavy=False)
    clip = probe_clip(DEMO / entry.file)
    count = sum(1 for _ in read_frames(clip, grey=True))
    tracker = BodyTracker(threads=1)
    network = LandmarkNetwork(threads=1)
    first = read_frame_nearest(clip, 0.1).image
    region = PersonDetector().find(first)[0].region
    pipeline, body, bare = [], [], []
    for _ in range(ROUNDS):
        with tempfile.TemporaryDirectory() as scratch:
            start = time.process_time()
            finding = analyse_clip(
                DEMO / entry.file, settings, derived=Derived(Path(scratch)), tracker=lambda: tracker
            )
            pipeline.append(time.process_time() - start)
        start = time.process_time()
        tracker.track(lambda: read_frames(clip))
        body.append(time.process_time() - start)
        start = time.process_time()
        for _ in range(count):
            network.locate(first, region)
        bare.append(time.process_time() - start)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{entry.file}: {count} frames, {len(finding.swings)} swing, one core, processor time\n")
    print("| what | s | ms a frame | over the bare network |")
    print("| --- | --- | --- | --- |")
    reference = statistics.median(bare)
    for name, values in (
        ("bare network, every frame", bare),
        ("body track", body),
        ("whole pipeline", pipeline),
    ):
        took = statistics.median(values)
        print(f"| {name} | {took:.2f} | {1000 * took / count:.1f} | {took / reference:.2f} |")
    print(f"\npeak memory {peak_mb:.0f} MB; aim: ratio {AIM} or less, memory under 1000 MB")
    print(f"spread of the ratio: {np.ptp(np.array(pipeline) / reference):.2f}")


if __name__ == "__main__":
    main()
