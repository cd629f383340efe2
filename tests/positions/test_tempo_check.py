"""A tempo that is no human's questions the container."""

import pytest

from lessonmark.positions.swings import find_swings
from lessonmark.positions.tempo_check import check_tempo, question_slow_motion
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Position


def swing(back, down, *, times=1.0, without=()):
    at = {"P1": 0.5, "P4": 0.5 + back * times, "P7": 0.5 + (back + down) * times}
    return SwingPositions(
        found={
            Position(name): PositionTime(
                position=Position(name), time=Time(s=s, se=0.01), how="shaft"
            )
            for name, s in at.items()
            if name not in without
        }
    )


# Grober and Cholewicki 2008: the fastest, the usual and the slowest tempo of tour players, frames
# at 30 a second: 21/7, 24/8, 30/10.
TOUR = [(21 / 30, 7 / 30), (24 / 30, 8 / 30), (30 / 30, 10 / 30)]


@pytest.mark.parametrize(("back", "down"), TOUR)
def test_a_human_tempo_is_not_questioned(back, down):
    assert check_tempo(swing(back, down), fps=120) is None


@pytest.mark.parametrize(("back", "down"), TOUR)
@pytest.mark.parametrize("factor", [4, 8])
def test_slow_motion_is_questioned_with_its_factor(back, down, factor):
    asked = check_tempo(swing(back, down, times=factor), fps=30)
    assert asked.slowdown == factor
    assert f"{30 * factor} frames a second" in asked.question


def test_twice_as_slow_is_questioned_where_it_is_sure():
    assert check_tempo(swing(1.0, 0.333, times=2), fps=30).slowdown == 2


def test_the_backswing_need_not_be_there():
    assert check_tempo(swing(0.8, 0.267, times=8, without=("P1",)), fps=30).slowdown == 8


def test_a_slow_start_alone_is_human():
    assert check_tempo(swing(2.5, 0.3), fps=120) is None


def test_a_sped_up_file_is_questioned():
    assert check_tempo(swing(0.8, 0.267, times=0.25), fps=120).slowdown == pytest.approx(0.25)


def test_without_top_or_impact_nothing_is_asked():
    assert check_tempo(swing(0.8, 0.267, times=8, without=("P7",)), fps=30) is None


def test_a_swing_too_slow_to_be_found_is_questioned(motion, make_track):
    track = make_track(motion().swing(), fps=240)
    slow = track.assign_coords(time=track.time * 8)
    assert find_swings(slow) == ()
    assert question_slow_motion(slow, fps=30).slowdown == 8


def test_standing_still_is_not_questioned(motion, make_track):
    assert question_slow_motion(make_track(motion(waggle_until_s=2).hold(3.0)), fps=120) is None
