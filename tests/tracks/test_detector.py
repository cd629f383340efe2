"""The detector's regions, and finding people in a real picture of the demo."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from lessonmark.media.frames import read_frame_nearest
from lessonmark.media.probe import probe_clip
from lessonmark.tracks.detector import PersonDetector, Region

DEMO = Path(__file__).parents[2] / "demo" / "lesson"


def test_region_round_an_upright_body_is_not_turned():
    region = Region.round_body((100, 200), (100, 120))
    assert region.angle == pytest.approx(0)
    assert region.side == pytest.approx(2 * 80 * 1.25)
    assert (region.x, region.y) == (100, 200)


def test_region_turns_with_the_body():
    lying = Region.round_body((100, 200), (180, 200))
    assert lying.angle == pytest.approx(math.pi / 2)


@pytest.mark.network_weights
def test_finds_the_one_golfer_of_the_demo():
    frame = read_frame_nearest(probe_clip(DEMO / "before/face-on/clip_00.mp4"), 0.2)
    people = PersonDetector().find(frame.image)
    assert len(people) == 1
    height, width = frame.image.shape[:2]
    # The golfer stands in the middle; see truth.json: hips near (333, 697).
    assert np.hypot(people[0].region.x - 333, people[0].region.y - 697) < 40
    assert people[0].region.side < height
    assert people[0].region.x < width


@pytest.mark.network_weights
def test_finds_nobody_in_grass():
    rng = np.random.default_rng(0)
    grass = (rng.normal((70, 110, 50), 18, (480, 640, 3))).clip(0, 255).astype(np.uint8)
    assert PersonDetector().find(grass) == []
