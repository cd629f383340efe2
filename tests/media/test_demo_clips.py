"""The demo's clips against their true values, which the rendering knew."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from lessonmark.media import find_strikes, probe_clip, read_sound
from lessonmark.media.timing import read_frame_times

DEMO = Path(__file__).parent.parent.parent / "demo"
TRUTH = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", sorted(TRUTH))
def test_the_strike_is_heard_when_it_reached_the_camera(name):
    clip = probe_clip(DEMO / "lesson" / name)
    (strike,) = find_strikes(read_sound(clip))
    error = strike.s - TRUTH[name]["sound_at_camera_time"]
    assert abs(error) < 0.001
    assert abs(error) < 3 * strike.se_s


def test_time_stamps_are_the_middles_of_the_exposures():
    name = "before/face-on/clip_00.mp4"
    shown = read_frame_times(DEMO / "lesson" / name).s
    about = TRUTH[name]
    assert len(shown) == about["n_frames"]
    assert np.allclose(shown, np.arange(len(shown)) / about["fps"], atol=1e-4)
