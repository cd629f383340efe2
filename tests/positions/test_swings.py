"""Swings told from everything else that hands do in a clip."""

import numpy as np
import pytest

from lessonmark.positions.swings import find_swings


def test_one_swing_is_found_about_where_it_is(motion, make_track, times_of):
    (span,) = find_swings(make_track(motion().swing()))
    true = times_of()
    assert span.top_s == pytest.approx(true["P4"], abs=0.05)
    assert span.bottom_s == pytest.approx(true["P7"], abs=0.05)
    assert span.start_s < 0.5 < true["P9"] < span.stop_s
    assert (span.starts_at_top, span.stops_early, span.cut_short) == (False, False, False)


@pytest.mark.parametrize("size", [0.3, 3.0], ids=lambda size: f"size={size:g}")
def test_the_size_of_the_player_does_not_matter(motion, make_track, size):
    small = find_swings(make_track(motion().swing(), size=size))
    usual = find_swings(make_track(motion().swing()))
    assert len(small) == len(usual) == 1
    assert small[0].peak_hand_speed == pytest.approx(usual[0].peak_hand_speed, rel=1e-6)


def test_a_clip_without_a_swing_holds_none(motion, make_track):
    assert find_swings(make_track(motion().hold(3.0))) == ()


def test_a_waggle_is_no_swing(motion, make_track):
    still = motion(waggle_until_s=2.0).hold(3.0)
    assert find_swings(make_track(still)) == ()


def test_a_waggle_before_the_swing_is_left_out(motion, make_track, times_of):
    (span,) = find_swings(make_track(motion(waggle_until_s=1.0).swing(still=1.6)))
    assert span.bottom_s == pytest.approx(times_of(start=1.6)["P7"], abs=0.05)
    assert 1.0 < span.still_s < 1.75


def test_walking_in_is_no_swing(motion, make_track, times_of):
    walked = motion(walk_until_s=1.5).swing(still=2.5)
    (span,) = find_swings(make_track(walked))
    assert span.bottom_s == pytest.approx(times_of(start=2.5)["P7"], abs=0.05)


def test_two_swings_in_a_clip_are_both_found(motion, make_track, times_of):
    twice = motion().swing().to(1.5, (-90.0, -90.0)).swing(still=1.0)
    first, second = find_swings(make_track(twice))
    again = 0.5 + 0.8 + 0.5 + 0.6 + 1.5 + 1.0
    assert first.bottom_s == pytest.approx(times_of()["P7"], abs=0.05)
    assert second.bottom_s == pytest.approx(times_of(start=again)["P7"], abs=0.05)
    assert first.stop_s <= second.still_s


def test_a_slow_rehearsal_before_the_swing_is_left_out(motion, make_track):
    clip = motion().swing(back=1.6, through=1.2).to(1.5, (-90.0, -90.0)).swing(still=1.0)
    (span,) = find_swings(make_track(clip))
    assert span.top_s == pytest.approx(0.5 + 1.6 + 1.2 + 0.6 + 1.5 + 1.0 + 0.8, abs=0.06)


def test_of_two_equal_swings_the_one_that_was_heard_is_the_real_one(motion, make_track, times_of):
    twice = motion().swing().to(1.5, (-90.0, -90.0)).swing(still=1.0)
    struck = times_of(start=4.9)["P7"]
    (span,) = find_swings(make_track(twice), strikes_s=[struck])
    assert span.struck
    assert span.bottom_s == pytest.approx(struck, abs=0.05)


def test_a_swing_from_the_top_has_no_backswing(motion, make_track):
    held = motion(at=(-240.0, -360.0)).hold(0.8).to(0.5, (60.0, 180.0)).hold(0.6)
    (span,) = find_swings(make_track(held))
    assert span.starts_at_top


def test_a_swing_that_stops_at_the_ball_stops_early(motion, make_track, times_of):
    stopped = motion(stop_s=times_of()["P7"] + 0.02).swing(hold=1.0)
    (span,) = find_swings(make_track(stopped))
    assert span.stops_early


def test_noise_of_a_tracker_hides_no_swing(motion, make_track):
    rng = np.random.default_rng(5)
    for seed in rng.integers(0, 1000, 5):
        assert len(find_swings(make_track(motion().swing(), noise_px=3.0, seed=int(seed)))) == 1
