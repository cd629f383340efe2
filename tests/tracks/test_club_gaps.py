"""Gaps of the club's path: filled by clear lines that a club can have passed, and by no others."""

from __future__ import annotations

import numpy as np
import pytest

from lessonmark.tracks.club_gaps import LONGEST_S, TURN_MOST, fill_gaps
from lessonmark.tracks.club_rays import Ray

FPS = 60.0
FASTEST = 40.0  # rad/s, a good player's release
CLEARLY, FAINTLY = 3.0, -2.0


def line(angle):
    wrapped = float((angle + np.pi) % (2 * np.pi) - np.pi)
    return Ray(
        angle=wrapped,
        angle_se=0.01,
        aside=0.0,
        aside_se=1.0,
        reach=200.0,
        score=1.0,
        fan=0.0,
        room=400.0,
        agreed=0.9,
    )


@pytest.fixture
def swing():
    """A downswing's angles at 60 a second: from rest to the release and out again."""
    times = np.arange(0.0, 0.7, 1 / FPS)
    fine = np.arange(0.0, 0.7, 1e-4)
    rate = FASTEST * np.exp(-0.5 * ((fine - 0.35) / 0.09) ** 2)
    return times, np.interp(times, fine, np.cumsum(rate) * 1e-4)


GAP = slice(15, 28)  # the release, 40 degrees a frame


def chosen_around(times, gap=GAP):
    chosen = np.zeros(len(times), np.intp)
    chosen[gap] = -1
    return chosen


def test_a_release_is_filled_past_lines_of_something_else(swing):
    times, angles = swing
    random = np.random.default_rng(1)
    # The club is the second line where it is not yet chosen; the first lies anywhere, as clear.
    rays = [[line(a)] for a in angles]
    for row in range(*GAP.indices(len(times))):
        rays[row] = [line(random.uniform(-np.pi, np.pi)), line(angles[row])]
    looks = [[CLEARLY] * len(found) for found in rays]
    filled = fill_gaps(times, rays, chosen_around(times), looks)
    assert (filled[GAP] == 1).all()
    assert (np.delete(filled, np.r_[GAP]) == 0).all()


def test_a_frame_without_the_club_stays_without(swing):
    times, angles = swing
    rays = [[line(a)] for a in angles]
    rays[20], rays[21] = [line(angles[20] + 2.0)], []
    looks = [[CLEARLY] * len(found) for found in rays]
    filled = fill_gaps(times, rays, chosen_around(times), looks)
    assert filled[20] == filled[21] == -1
    assert (np.delete(filled, [20, 21]) == 0).all()


def test_lines_that_lead_nowhere_are_left(swing):
    times, angles = swing
    random = np.random.default_rng(2)
    left = 0
    for _ in range(50):
        rays = [[line(a)] for a in angles]
        for row in range(*GAP.indices(len(times))):
            rays[row] = [line(random.uniform(-np.pi, np.pi))]
        looks = [[CLEARLY] for _ in rays]
        filled = fill_gaps(times, rays, chosen_around(times), looks)
        left += bool((filled[GAP] == -1).all())
    assert left >= 47


def test_faint_lines_are_left(swing):
    times, angles = swing
    rays = [[line(a)] for a in angles]
    filled = fill_gaps(times, rays, chosen_around(times), [[FAINTLY] for _ in rays])
    assert (filled == chosen_around(times)).all()


def test_a_club_that_was_away_for_long_is_not_followed(swing):
    _, angles = swing
    times = np.arange(len(angles)) * 1.05 * LONGEST_S / (GAP.stop - GAP.start + 1)
    rays = [[line(a)] for a in angles]
    filled = fill_gaps(times, rays, chosen_around(times), [[CLEARLY] for _ in rays])
    assert (filled == chosen_around(times)).all()


def test_no_step_is_faster_than_a_club(swing):
    times, _ = swing
    # Half a turn a frame: nothing turns so fast, though the lines are plain.
    angles = np.arange(len(times)) * 1.2 * TURN_MOST / FPS
    rays = [[line(a)] for a in angles]
    filled = fill_gaps(times, rays, chosen_around(times), [[CLEARLY] for _ in rays])
    assert (filled == chosen_around(times)).all()


def test_nothing_to_fill_and_nothing_to_go_by(swing):
    times, angles = swing
    rays = [[line(a)] for a in angles]
    looks = [[CLEARLY] for _ in rays]
    whole = np.zeros(len(times), np.intp)
    assert (fill_gaps(times, rays, whole, looks) == whole).all()
    never = np.full(len(times), -1, np.intp)
    assert (fill_gaps(times, rays, never, looks) == never).all()
