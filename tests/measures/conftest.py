"""The stick golfer of the filming bench, filmed by OpenCV's projector."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import BallSeen, SwingSeen
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Handedness, Position, View

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def filming():
    """The bench that writes the filming page: a golfer of sticks and an independent projector."""
    spec = importlib.util.spec_from_file_location("filming", ROOT / "bench" / "filming.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def filmed_swing(filming):
    """Give a function that films the stick golfer's swing, well or wrongly."""

    def film(view: View, *, mirrored: bool = False, noise_px: float = 0.0, **wrong):
        setting = filming.BEST | wrong
        at_s = {"P1": 0.5, "P4": 1.0, "P7": 1.5}
        joints = filming.swing()
        pictures = {p: filming.picture(joints[p], view, **setting) for p in at_s}
        names = [n for n in pictures["P1"] if n != "ball"]
        times = np.arange(0.0, 2.0, 0.01)
        place = np.empty((len(times), 2, len(names)))
        rng = np.random.default_rng(5)
        for k, name in enumerate(names):
            for axis in (0, 1):
                ends = [pictures[p][name][axis] for p in at_s]
                place[:, axis, k] = np.interp(times, list(at_s.values()), ends)
                place[:, axis, k] += noise_px * rng.standard_normal()
        ball = np.array(pictures["P1"]["ball"])
        if mirrored:
            place[:, 0] = filming.WIDTH - place[:, 0]
            ball[0] = filming.WIDTH - ball[0]
        cov = np.zeros((len(times), 2, 2, len(names)))
        cov[:, 0, 0] = cov[:, 1, 1] = 0.25
        square = ("time", "space", "space_other", "keypoint")
        track = xr.Dataset(
            {
                "position": (("time", "space", "keypoint"), place),
                "position_cov": (square, cov),
                # The joints themselves, not a network's idea of them: no error by definition.
                "position_systematic": (square, cov + noise_px**2 * (cov > 0)),
                "visibility": (("time", "keypoint"), np.ones((len(times), len(names)))),
            },
            coords={"time": times, "space": ["x", "y"], "keypoint": names},
        )
        px_per_cm = filming.FOCAL_PX / setting["distance"]
        found = {
            Position(p): PositionTime(position=Position(p), time=Time(s=s, se=1e-4), how="set")
            for p, s in at_s.items()
        }
        return SwingSeen(
            track=track,
            positions=SwingPositions(found=found),
            view=view,
            handedness=Handedness.LEFT if mirrored else Handedness.RIGHT,
            toward=-1 if mirrored else 1,
            width=filming.WIDTH,
            height=filming.HEIGHT,
            fps=100.0,
            scale=Scale(px_per_cm=px_per_cm, se_px_per_cm=0.02 * px_per_cm, sources=("reference",)),
            ball=BallSeen(x=ball[0], y=ball[1], se_px=0.5),
            camera=CameraCheck(
                roll_deg=(-1 if mirrored else 1) * setting["roll"],
                roll_se_deg=0.5,
                roll_from="set",
                yaw_deg=None,
                yaw_se_deg=5.0,
                distance_cm=setting["distance"],
                height_cm=setting["height"],
                moved_px=0.0,
                pitch_deg=float(
                    np.degrees(np.arctan2(90 - setting["height"], setting["distance"]))
                ),
                pitch_se_deg=2.0,
            ),
            stature_cm=filming.STATURE,
            scatter=0.0,
        )

    return film
