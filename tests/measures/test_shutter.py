"""The shutter off a moving shaft that OpenCV drew many times over within one exposure."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import xarray as xr

from lessonmark.measures.seen import SwingSeen
from lessonmark.measures.shutter import find_shutter
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Handedness, Position, View

FPS, RATE = 120.0, 28.0  # frames and rad a second, about a club's before impact
BUTT, LONG_PX = np.array([180.0, 150.0]), 250.0


def angle(s):
    return -0.6 + RATE * (s - 0.1)


def ends(s):
    return BUTT, BUTT + LONG_PX * np.array([np.cos(angle(s)), np.sin(angle(s))])


def picture(s, open_s, dark=1.0):
    """Light gathered while the shutter is open, on a ground with texture that stands still."""
    rng = np.random.default_rng(4)
    ground = cv2.GaussianBlur(rng.uniform(60, 140, (460, 460)), (0, 0), 4)
    total = np.zeros_like(ground)
    draws = 60
    for moment in np.linspace(-0.5, 0.5, draws) * open_s + s:
        shaft = np.zeros((460, 460), np.uint8)
        one, other = (np.round(16 * (p - 0.5)).astype(int) for p in ends(moment))
        cv2.line(shaft, one.tolist(), other.tolist(), 255, 2, cv2.LINE_AA, 4)
        total += ground + shaft / 255.0 * (250.0 * dark + 20 - ground) * 1.0
    noise = np.random.default_rng(int(s * 1e4)).normal(0, 1.5, ground.shape)
    return np.clip(total / draws + noise, 0, 255).astype(np.uint8)


def swing(times):
    names = ["grip_butt", "clubhead"]
    place = np.stack([np.stack(ends(s), axis=-1) for s in times])
    cov = np.tile(np.eye(2)[..., None], (len(times), 1, 1, 2))
    track = xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), place),
            "position_cov": (("time", "space", "space_other", "keypoint"), cov),
            "visibility": (("time", "keypoint"), np.ones((len(times), 2))),
        },
        coords={"time": times, "space": ["x", "y"], "keypoint": names},
    )
    found = {
        p: PositionTime(position=p, time=Time(s=s, se=1e-3), how="set")
        for p, s in ((Position.P5, times[1]), (Position.P8, times[-2]))
    }
    return SwingSeen(
        track=track,
        positions=SwingPositions(found=found),
        view=View.FACE_ON,
        handedness=Handedness.RIGHT,
        toward=1,
        width=460,
        height=460,
        fps=FPS,
    )


@pytest.mark.parametrize("open_s", [1 / 250, 1 / 400, 1 / 700])
def test_the_strip_tells_the_exposure(open_s):
    times = np.arange(0.06, 0.16, 1 / FPS)
    found = find_shutter(swing(times), lambda s: picture(s, open_s))
    assert found is not None
    assert found.open_s == pytest.approx(open_s, rel=0.12)
    assert abs(found.open_s - open_s) < 2.5 * found.se_s
    assert not found.at_most
    assert found.head_px == pytest.approx(open_s * RATE * LONG_PX, rel=0.12)


def test_it_needs_no_positions():
    times = np.arange(0.06, 0.16, 1 / FPS)
    blind = replace(swing(times), positions=SwingPositions())
    found = find_shutter(blind, lambda s: picture(s, 1 / 400))
    assert found is not None
    assert found.open_s == pytest.approx(1 / 400, rel=0.12)


def test_a_very_short_one_is_said_as_a_bound():
    times = np.arange(0.06, 0.16, 1 / FPS)
    found = find_shutter(swing(times), lambda s: picture(s, 1 / 4000))
    assert found is not None
    assert found.at_most
    assert found.open_s > 1 / 4000


def test_a_shaft_that_does_not_stand_out_gives_nothing():
    times = np.arange(0.06, 0.16, 1 / FPS)
    still = picture(0.1, 1 / 400)
    assert find_shutter(swing(times), lambda s: still) is None
