"""Run the product's own network on stills: detector, two looks to settle, the look that counts.

    python bench/render/observe.py stills --out looks.npz

Runs in the product's environment. Per still: position (33, 2), spread (33, 2, 2), visibility and
depth (33,), presence, detector score; NaN where nobody was found.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lessonmark.tracks.detector import PersonDetector, Region
from lessonmark.tracks.landmarks import LandmarkNetwork, Landmarks
from lessonmark.tracks.schema import BODY_KEYPOINTS

SETTLE = 2


def look(
    image: NDArray[np.uint8],
    detector: PersonDetector,
    network: LandmarkNetwork,
    region: Region | None = None,
) -> tuple[float, Landmarks | None]:
    """Find the largest person in an RGB image and read the landmarks."""
    score = 1.0
    if region is None:
        people = detector.find(image)
        if not people:
            return 0.0, None
        person = max(people, key=lambda p: p.region.side)
        score, region = person.score, person.region
        for _ in range(SETTLE):
            region = network.locate(image, region).region
    return score, network.locate(image, region)


def stack(seen: list[tuple[float, Landmarks | None]]) -> dict[str, NDArray[np.float32]]:
    """Put looks into arrays, NaN where there was nobody."""
    count, points = len(seen), len(BODY_KEYPOINTS)
    out = {
        "position": np.full((count, points, 2), np.nan, np.float32),
        "spread": np.full((count, points, 2, 2), np.nan, np.float32),
        "visibility": np.full((count, points), np.nan, np.float32),
        "depth": np.full((count, points), np.nan, np.float32),
        "presence": np.zeros(count, np.float32),
        "score": np.array([s for s, _ in seen], np.float32),
    }
    for i, (_, marks) in enumerate(seen):
        if marks is not None:
            for name in ("position", "spread", "visibility", "depth", "presence"):
                out[name][i] = getattr(marks, name)
    return out


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("stills", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--heavy", action="store_true")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--last", type=int, default=10**9)
    args = parser.parse_args()
    detector, network = PersonDetector(), LandmarkNetwork(heavy=args.heavy)
    files = sorted(args.stills.glob("*.jpg"))
    files = [f for f in files if args.first <= int(f.stem) < args.last]
    seen = [
        look(np.ascontiguousarray(cv2.imread(str(f))[..., ::-1]), detector, network) for f in files
    ]
    np.savez(args.out, number=np.array([int(f.stem) for f in files]), **stack(seen))
