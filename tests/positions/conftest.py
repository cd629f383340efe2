"""A swing in closed form: arms and shaft turn about fixed shoulders on raised cosines.

Angles in degrees with the target to the right: -90 hangs down, -180 points away from the target.
Back: arm -90 to -240, shaft -90 to -360. Through: arm to +60, shaft to +180, both at -90 (impact)
half way. So every level is passed at a time known in closed form.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pytest
import xarray as xr

TORSO_PX = 83.0
ARM_PX = 115.0
CLUB_PX = 180.0
STILL, BACK, THROUGH, HOLD = 0.5, 0.8, 0.5, 0.6
ADDRESS, TOP, FINISH = (-90.0, -90.0), (-240.0, -360.0), (60.0, 180.0)


def eased(share):
    """When a raised cosine has done `share` of its way, in parts of its duration."""
    return math.acos(1 - 2 * share) / math.pi


def true_times(start=STILL, back=BACK, through=THROUGH, top=TOP):
    """P2 to P9 of a swing whose backswing starts at `start`, s."""
    arm_top, shaft_top = top
    t4 = start + back
    times = {"P4": t4, "P7": t4 + through * eased((-90 - arm_top) / (60 - arm_top))}
    if arm_top < -180:
        times["P3"] = start + back * eased(90 / (-90 - arm_top))
        times["P5"] = t4 + through * eased((-180 - arm_top) / (60 - arm_top))
    if shaft_top < -180:
        times["P2"] = start + back * eased(90 / (-90 - shaft_top))
        times["P6"] = t4 + through * eased((-180 - shaft_top) / (180 - shaft_top))
    times["P8"] = t4 + through * eased((0 - shaft_top) / (180 - shaft_top))
    times["P9"] = t4 + through * eased((0 - arm_top) / (60 - arm_top))
    return times


@dataclass
class Motion:
    """A timeline of moves, each (duration s, arm and shaft where it ends)."""

    at: tuple[float, float] = ADDRESS
    moves: list = field(default_factory=list)
    stop_s: float | None = None  # everything stands still from here on
    waggle_until_s: float = 0.0
    walk_until_s: float = 0.0

    def hold(self, duration):
        return self.to(duration, self.moves[-1][1] if self.moves else self.at)

    def to(self, duration, where):
        self.moves.append((duration, where))
        return self

    def swing(self, *, still=STILL, back=BACK, through=THROUGH, hold=HOLD, top=TOP):
        return self.hold(still).to(back, top).to(through, FINISH).hold(hold)

    @property
    def lasts(self):
        return sum(duration for duration, _ in self.moves)

    def angles(self, t):
        arm, shaft = np.full_like(t, self.at[0]), np.full_like(t, self.at[1])
        begin, was = 0.0, self.at
        clock = t if self.stop_s is None else np.minimum(t, self.stop_s)
        for duration, where in self.moves:
            share = (1 - np.cos(np.pi * np.clip((clock - begin) / duration, 0, 1))) / 2
            here = clock >= begin
            arm = np.where(here, was[0] + (where[0] - was[0]) * share, arm)
            shaft = np.where(here, was[1] + (where[1] - was[1]) * share, shaft)
            begin, was = begin + duration, where
        wag = np.where(t < self.waggle_until_s, np.sin(2 * np.pi * 1.5 * t), 0.0)
        return arm + 6 * wag, shaft + 25 * wag


def alike(rng, n, step, lasts=0.03):
    rho = math.exp(-step / lasts)
    out = np.empty(n)
    out[0] = rng.standard_normal()
    for i in range(1, n):
        out[i] = rho * out[i - 1] + math.sqrt(1 - rho**2) * rng.standard_normal()
    return out


def build_track(
    motion,
    *,
    fps=120.0,
    mirrored=False,
    club=True,
    noise_px=0.0,
    shaft_noise_deg=0.0,
    seed=0,
    size=1.0,
):
    rng = np.random.default_rng(seed)
    t = np.arange(0, motion.lasts, 1 / fps)
    arm, shaft = (np.radians(a) for a in motion.angles(t))
    walk = np.where(t < motion.walk_until_s, 150.0 * (t - motion.walk_until_s), 0.0)
    stride = np.where(t < motion.walk_until_s, 25 * np.sin(2 * np.pi * 1.8 * t), 0.0)
    zero = np.zeros_like(t)

    def at(x, y):
        return np.stack([360 + walk + size * (x + zero), 600 - size * (y + zero)], axis=1)

    hands = np.stack([ARM_PX * np.cos(arm), ARM_PX * np.sin(arm)])
    points = {
        "lead_shoulder": at(0, 0),
        "trail_shoulder": at(-40, 0),
        "lead_elbow": at(hands[0] / 2, hands[1] / 2),
        "trail_elbow": at(hands[0] / 2 - 20, hands[1] / 2),
        "lead_wrist": at(hands[0] + stride, hands[1]),
        "trail_wrist": at(hands[0] - stride, hands[1]),
        "lead_hip": at(-5, -TORSO_PX),
        "trail_hip": at(-35, -TORSO_PX),
    }
    se = max(noise_px, 0.2)
    noise = {
        name: noise_px * np.stack([alike(rng, len(t), 1 / fps) for _ in range(2)], axis=1)
        for name in points
    }
    points = {name: xy + noise[name] for name, xy in points.items()}
    sigma = dict.fromkeys(points, se)
    variables = {}
    if club:
        angle = shaft + math.radians(shaft_noise_deg) * alike(rng, len(t), 1 / fps)
        se_angle = math.radians(max(shaft_noise_deg, 0.1))
        grip = at(hands[0], hands[1])
        points["grip_mid"] = grip
        points["clubhead"] = grip + size * CLUB_PX * np.stack(
            [np.cos(angle), -np.sin(angle)], axis=1
        )
        sigma |= {"grip_mid": se, "clubhead": math.hypot(se, CLUB_PX * se_angle)}
        image = np.pi - angle if mirrored else angle
        variables = {
            "shaft_angle": ("time", image),
            "shaft_angle_se": ("time", np.full(len(t), se_angle)),
        }
    names = list(points)
    position = np.stack([points[name] for name in names], axis=2)
    if mirrored:
        position[:, 0] = 720 - position[:, 0]
    cov = np.zeros((len(t), 2, 2, len(names)))
    cov[:, 0, 0] = cov[:, 1, 1] = np.array([sigma[name] ** 2 for name in names])
    return xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), position),
            "position_cov": (("time", "space", "space_other", "keypoint"), cov),
            # The figure's points are the joints' centres.
            "position_systematic": (("time", "space", "space_other", "keypoint"), 0 * cov),
            **variables,
        },
        coords={"time": t, "space": ["x", "y"], "space_other": ["x", "y"], "keypoint": names},
    )


@pytest.fixture
def motion():
    return Motion


@pytest.fixture
def make_track():
    return build_track


@pytest.fixture
def times_of():
    return true_times
