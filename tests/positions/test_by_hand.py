"""Positions that the coach placed."""

import pytest

from lessonmark.positions.by_hand import keep_by_hand, place_by_hand
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Position

P = Position


def swing(**times):
    return SwingPositions(
        found={
            P(name): PositionTime(position=P(name), time=Time(s=s, se=0.004), how="shaft")
            for name, s in times.items()
        },
        missing={p: "not seen" for p in P if p.value not in times},
    )


def test_a_moved_position_has_half_a_frame_of_error():
    moved = place_by_hand(swing(P4=1.0, P6=1.2), P.P6, 1.21, fps=120)
    assert moved[P.P6].by_hand
    assert moved[P.P6].time == Time(s=1.21, se=0.5 / 120)
    assert moved[P.P4] == swing(P4=1.0)[P.P4]


def test_a_missing_position_can_be_placed():
    placed = place_by_hand(swing(P4=1.0), P.P2, 0.5, fps=60)
    assert P.P2 in placed
    assert P.P2 not in placed.missing


@pytest.mark.parametrize("at", [0.9, 1.0])
def test_a_place_against_the_order_is_refused_and_nothing_changes(at):
    before = swing(P4=1.0, P6=1.2)
    with pytest.raises(ValueError, match="P6 at"):
        place_by_hand(before, P.P6, at, fps=120)
    assert before[P.P6].time.s == 1.2


def test_it_survives_a_new_analysis():
    moved = place_by_hand(swing(P4=1.0, P6=1.2), P.P6, 1.21, fps=120)
    kept = keep_by_hand(moved, swing(P4=1.001, P6=1.195, P7=1.25))
    assert kept[P.P6] == moved[P.P6]
    assert kept[P.P4].time.s == 1.001
    assert kept[P.P7].time.s == 1.25


def test_what_contradicts_the_hand_is_dropped_with_its_reason():
    moved = place_by_hand(swing(P4=1.0), P.P6, 1.3, fps=120)
    kept = keep_by_hand(moved, swing(P4=1.0, P6=1.2, P7=1.25))
    assert P.P7 not in kept
    assert "placed by hand" in kept.missing[P.P7]


def test_what_was_not_placed_by_hand_is_not_kept():
    kept = keep_by_hand(swing(P3=0.8, P4=1.0), swing(P4=1.1))
    assert P.P3 not in kept
