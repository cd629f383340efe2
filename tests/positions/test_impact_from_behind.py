"""Impact from behind, against a simulated pinhole camera: the ball hidden, the head back."""

from __future__ import annotations

import math

import numpy as np
import pytest
import xarray as xr

from lessonmark.positions.hidden_ball import left_unseen, look_down
from lessonmark.positions.passing import club_passing
from lessonmark.positions.times import Time
from lessonmark.words import View

BALL_M = 0.0213
LONG_SIDE, WIDTH = 1280.0, 720.0


def project(points, *, behind, high, pitch, focal):
    """Pinhole camera on the target line, `behind` the ball and `high` over the ground, px.

    Points as x toward the target, y out, z up, with the ball at the origin; the picture's x, y.
    """
    forward, up = points[:, 0] + behind, points[:, 2] - high
    depth = forward * math.cos(pitch) + up * math.sin(pitch)
    rise = up * math.cos(pitch) - forward * math.sin(pitch)
    place = np.stack(
        [WIDTH / 2 + focal * points[:, 1] / depth, LONG_SIDE / 2 - focal * rise / depth]
    )
    return place.T, focal / depth


def filmed(rng, *, fps, speed=None):
    """Film one swing's impact, at 0 s; last frame with the ball, first bare one, frames, tilt."""
    camera = {
        "behind": rng.uniform(3.5, 6.5),
        "high": rng.uniform(0.8, 1.5),
        "pitch": rng.normal(0.0, math.radians(2.5)),
        "focal": rng.uniform(0.68, 0.78) * LONG_SIDE,
    }
    speed = rng.uniform(22.0, 48.0) if speed is None else speed
    plane, radius = rng.uniform(math.radians(48), math.radians(62)), rng.uniform(0.75, 1.05)
    attack, head = rng.normal(0.0, math.radians(2.5)), rng.uniform(0.025, 0.06)
    # The head on a circle about the hands, its lowest point off the ball by the angle of attack.
    t = np.arange(-0.06, 0.06, 2e-4)
    turn = speed / radius * t + attack
    swung = radius * np.stack([np.sin(turn), 1 - np.cos(turn)])
    low = radius * np.array([math.sin(attack), 1 - math.cos(attack)])
    x, lift = swung[0] - low[0], swung[1] - low[1]
    where = np.stack([x, -math.cos(plane) * lift, math.sin(plane) * lift], axis=1)
    place, scale = project(where, **camera)
    ball, ball_scale = project(np.zeros((1, 3)), **camera)
    apart = np.hypot(*(place - ball).T)
    covered = apart < head * scale + BALL_M * ball_scale
    frames = np.arange(-0.3, 0.3, 1 / fps) + rng.uniform(0, 1 / fps)
    hidden = np.interp(frames, t, covered.astype(float), left=0.0, right=0.0) > 0.5
    there = frames[(frames < 0) & ~hidden][-1]
    gone = frames[(frames > 0) & ~hidden][0]
    tilt = look_down(float(ball[0, 1]), width=WIDTH, height=LONG_SIDE)
    return there, gone, frames, tilt


def between(there, gone):
    return Time(s=(there + gone) / 2, se=(gone - there) / math.sqrt(12))


@pytest.mark.parametrize("fps", [60.0, 120.0, 240.0])
def test_impact_is_late_in_the_time_the_head_hides_the_ball_and_its_error_is_true(fps):
    rng = np.random.default_rng(1)
    plain, found, said = [], [], []
    for _ in range(150):
        there, gone, frames, tilt = filmed(rng, fps=fps)
        left = left_unseen(between(there, gone), frames, look_down_rad=tilt)
        plain.append((there + gone) / 2)
        found.append(left.s)
        said.append(left.se)
    error = np.array(found)
    assert np.mean(plain) < -0.002  # the middle of what is hidden comes before impact
    assert abs(error.mean()) < 0.0012
    assert np.sqrt(np.mean(error**2)) < 0.9 * np.sqrt(np.mean(np.square(plain)))
    assert np.mean(np.abs(error) <= said) == pytest.approx(0.68, abs=0.14)


def test_a_time_from_the_flight_of_the_ball_stays_as_it_is():
    frames = np.arange(0.0, 1.0, 1 / 120)
    left = Time(s=0.5031, se=0.0006)
    assert left_unseen(left, frames, look_down_rad=0.25) is left


def test_a_ball_hidden_for_longer_than_any_head_takes_is_left_alone():
    frames = np.arange(0.0, 2.0, 1 / 120)
    left = between(float(frames[60]), float(frames[160]))
    assert left_unseen(left, frames, look_down_rad=0.25) == left


def test_a_level_camera_looks_down_by_its_height_over_its_distance():
    # 1.2 m up and 4.8 m behind, lens of 0.72 of the long side: 0.18 of it below the middle.
    assert look_down(640 + 0.18 * 1280, width=720, height=1280) == pytest.approx(math.atan(0.25))


ADDRESS_S, IMPACT_S = 0.5, 1.0
STANDS = {"behind": 4.8, "high": 1.1, "pitch": 0.0, "focal": 0.72 * LONG_SIDE}
HANDS = np.array([0.0, -0.45, 0.72])  # m, from the ball; the club's length is 0.85 m


def club_from_behind(line_too_long: float, lean: float) -> xr.Dataset:
    """Film a club that stands at the ball and comes back to it at 1 s, turning at 40 rad/s.

    In the swing its line is read too long by a share, and it lies otherwise by `lean` rad.
    """
    t = np.arange(0.0, 1.2, 1 / 120)
    swings = t > ADDRESS_S
    turn = np.where(swings, np.clip(40.0 * (t - IMPACT_S), -2.5, 2.5), 0.0)
    down = -HANDS / np.linalg.norm(HANDS)
    along = np.array([1.0, 0.0, 0.0])
    reach = np.cos(turn)[:, None] * down + np.sin(turn)[:, None] * along
    hands = np.tile(HANDS, (len(t), 1))
    grip, _ = project(hands, **STANDS)
    head, _ = project(hands + np.linalg.norm(HANDS) * reach, **STANDS)
    shaft = head - grip
    c, s = np.cos(np.where(swings, lean, 0.0)), np.sin(np.where(swings, lean, 0.0))
    shaft = np.stack([c * shaft[:, 0] - s * shaft[:, 1], s * shaft[:, 0] + c * shaft[:, 1]], axis=1)
    head = grip + np.where(swings, 1 + line_too_long, 1.0)[:, None] * shaft
    position = np.stack([grip, head], axis=2)
    cov = np.zeros((len(t), 2, 2, 2))
    cov[:, 0, 0] = cov[:, 1, 1] = 1.0
    return xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), position),
            "position_cov": (("time", "space", "space_other", "keypoint"), cov),
        },
        coords={"time": t, "space": ["x", "y"], "keypoint": ["grip_mid", "clubhead"]},
    )


@pytest.mark.parametrize("lean_deg", [-1.5, 0.0, 1.5])
@pytest.mark.parametrize("line_too_long", [-0.08, 0.0, 0.08])
def test_a_line_read_wrong_from_behind_does_not_move_impact_by_more_than_is_said(
    line_too_long, lean_deg
):
    seen = club_passing(
        club_from_behind(line_too_long, math.radians(lean_deg)),
        near_s=IMPACT_S + 0.01,
        address_s=ADDRESS_S,
        view=View.DOWN_THE_LINE,
        sign_target=1,
        roll_deg=0.0,
        ball=None,
    )
    assert seen is not None
    assert abs(seen.time.s - IMPACT_S) < seen.time.se < 0.012
    assert abs(seen.time.s - IMPACT_S) < 0.006
