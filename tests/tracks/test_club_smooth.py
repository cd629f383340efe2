"""The club's smoother on rays made by hand, and its model against scipy's matrix exponential."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import expm

from lessonmark.tracks.club_path import transition
from lessonmark.tracks.club_rays import Ray
from lessonmark.tracks.club_smooth import smooth_club

LENGTH = 200.0
TIMES = np.arange(120) / 120.0


def ray(angle: float, reach: float, se: float = np.radians(0.3)) -> Ray:
    return Ray(
        angle=angle, angle_se=se, aside=0.0, aside_se=0.5, reach=reach, score=0.8, fan=0.0,
        room=900.0, agreed=0.6,
    )  # fmt: skip


def tilted_circle(rate: float, tilt_deg: float) -> np.ndarray:
    """Return the projected vector (time, 2) of a club that turns in a plane seen at a tilt."""
    turn = rate * (TIMES - 0.5)
    return 0.9 * LENGTH * np.stack([np.cos(turn), np.cos(np.radians(tilt_deg)) * np.sin(turn)], 1)


@pytest.mark.parametrize("turn", [0.0, 3.0, 40.0], ids=lambda turn: f"{turn:g}rad/s")
def test_the_step_is_the_matrix_exponential(turn):
    system = np.array([[0, 1, 0], [0, 0, 1], [0, -(turn**2), 0]], float)
    np.testing.assert_allclose(
        transition(np.asarray(turn), 1 / 120), expm(system / 120), rtol=1e-4, atol=1e-6
    )


@pytest.mark.parametrize("tilt", [0.0, 60.0, 85.0], ids=lambda tilt: f"tilt={tilt:g}")
def test_a_hidden_stretch_is_carried_on_in_any_view(tilt):
    vector = tilted_circle(12.0, tilt)
    random = np.random.default_rng(1)
    angle = np.arctan2(vector[:, 1], vector[:, 0])
    far = np.hypot(*vector.T)
    hidden = (TIMES > 0.55) & (TIMES < 0.62)
    rays = [
        None if hidden[i] else ray(angle[i] + random.normal(0, np.radians(0.3)), far[i])
        for i in range(len(TIMES))
    ]
    path = smooth_club(TIMES, rays, length_px=LENGTH)
    gap = np.abs(np.mod(path.angle - angle + np.pi, 2 * np.pi) - np.pi)
    assert not path.seen[hidden].any()
    assert (gap < 3.0 * path.angle_se)[hidden].all()
    assert path.angle_se[hidden].max() > 1.3 * np.median(path.angle_se[~hidden])


def test_a_ray_that_is_something_else_is_set_aside():
    vector = tilted_circle(6.0, 0.0)
    angle = np.arctan2(vector[:, 1], vector[:, 0])
    far = np.hypot(*vector.T)
    rays = [ray(a, f) for a, f in zip(angle, far, strict=True)]
    rays[60] = ray(angle[60] + np.radians(40), far[60])
    path = smooth_club(TIMES, rays, length_px=LENGTH)
    assert not path.seen[60]
    assert np.degrees(abs(path.angle[60] - angle[60])) % 360 < 1.0


def test_a_line_that_ends_early_still_gives_its_direction():
    vector = tilted_circle(4.0, 0.0)
    angle = np.arctan2(vector[:, 1], vector[:, 0])
    far = np.hypot(*vector.T)
    far[50:70] *= 0.5
    path = smooth_club(
        TIMES, [ray(a, f) for a, f in zip(angle, far, strict=True)], length_px=LENGTH
    )
    assert np.degrees(np.abs(np.unwrap(path.angle) - np.unwrap(angle))).max() < 0.5


def test_no_ray_at_all_is_refused():
    with pytest.raises(ValueError, match="no ray"):
        smooth_club(TIMES, [None] * len(TIMES), length_px=LENGTH)
