"""The same stroke from two cameras with clocks of their own."""

import numpy as np
import pytest

from lessonmark.positions.pairing import SwingSeen, lend, pair_swings
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Position

P = Position


def seen(times, *, se=0.003, missing=(), recorded_s=None):
    found = {
        p: PositionTime(position=p, time=Time(s=s, se=se), how="shaft") for p, s in times.items()
    }
    return SwingSeen(
        positions=SwingPositions(found=found, missing=dict.fromkeys(missing, "not seen")),
        recorded_s=recorded_s,
    )


def strokes(rng, n, noise=0.0):
    """Swings of one player: tempos that differ by some 3 %, as REFERENCES' professionals do."""
    all_of_them = []
    for _ in range(n):
        back, down = 0.85 * rng.normal(1, 0.04), 0.27 * rng.normal(1, 0.04)
        start = rng.uniform(0.4, 1.0)
        times = {
            P.P1: start,
            P.P3: start + 0.7 * back,
            P.P4: start + back,
            P.P5: start + back + 0.55 * down,
            P.P6: start + back + 0.83 * down,
            P.P7: start + back + down,
            P.P9: start + back + down + 0.1 * rng.normal(1, 0.05),
        }
        all_of_them.append(times)
    return all_of_them


def from_the_side(times, rng, noise, offset):
    return {
        p: s + offset + noise * rng.standard_normal() for p, s in times.items() if p is not P.P6
    }


def test_clips_in_another_order_are_paired_by_their_tempo():
    rng = np.random.default_rng(4)
    front = strokes(rng, 5)
    order = [3, 0, 4, 2]
    side = [from_the_side(front[i], rng, 0.002, rng.uniform(-3, 3)) for i in order]
    pairs = pair_swings([seen(t) for t in front], [seen(t) for t in side])
    assert {(pair.front, pair.side) for pair in pairs} == {(i, j) for j, i in enumerate(order)}


def test_a_swing_of_another_tempo_has_no_partner():
    rng = np.random.default_rng(4)
    front = strokes(rng, 1)[0]
    slow = {p: 2 * s for p, s in front.items()}
    assert pair_swings([seen(front)], [seen(slow)]) == ()


def test_file_times_tell_equal_tempos_apart():
    (stroke,) = strokes(np.random.default_rng(1), 1)
    front = [seen(stroke, recorded_s=s) for s in (0.0, 60.0, 120.0)]
    side = [seen(stroke, recorded_s=s) for s in (121.0, 61.0)]
    pairs = pair_swings(front, side)
    assert {(pair.front, pair.side) for pair in pairs} == {(2, 0), (1, 1)}


def test_the_clocks_are_joined_at_impact():
    stroke = strokes(np.random.default_rng(1), 1)[0]
    later = {p: s + 2.5 for p, s in stroke.items()}
    (pair,) = pair_swings([seen(stroke, se=0.001)], [seen(later, se=0.002)])
    assert pair.offset.s == pytest.approx(2.5)
    assert pair.offset.se == pytest.approx(np.hypot(0.001, 0.002))


def test_p6_of_the_front_serves_the_side():
    stroke = strokes(np.random.default_rng(1), 1)[0]
    side_times = {p: s + 2.5 for p, s in stroke.items() if p is not P.P6}
    front = seen(stroke, se=0.001).positions
    side = seen(side_times, se=0.002, missing=(P.P6,)).positions
    lent = lend(front, side)
    assert lent[P.P6].time.s == pytest.approx(stroke[P.P6] + 2.5)
    assert lent[P.P6].time.se == pytest.approx(np.sqrt(0.001**2 + 0.001**2 + 0.002**2))
    assert "face-on" in lent[P.P6].how
    assert P.P6 not in lent.missing


def test_a_better_known_own_position_is_kept():
    stroke = strokes(np.random.default_rng(1), 1)[0]
    front, side = seen(stroke, se=0.004).positions, seen(stroke, se=0.001).positions
    assert lend(front, side) == side


def test_without_impact_nothing_is_lent():
    stroke = strokes(np.random.default_rng(1), 1)[0]
    stopped = {p: s for p, s in stroke.items() if p.number < 7}
    with pytest.raises(ValueError, match="impact"):
        lend(seen(stroke).positions, seen(stopped).positions)
    assert pair_swings([seen(stroke)], [seen(stopped)]) == ()
