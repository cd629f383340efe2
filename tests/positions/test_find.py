"""Positions of a swing whose crossing times are known in closed form."""

import numpy as np
import pytest

from lessonmark.media.strike import Strike
from lessonmark.positions.find import find_positions
from lessonmark.positions.swings import find_swings
from lessonmark.words import Position, View

FACE_ON = View.FACE_ON
BETWEEN = [f"P{n}" for n in range(2, 10)]


def found_in(track, sign_target=1, **options):
    (span,) = find_swings(track)
    return find_positions(track, span, view=FACE_ON, sign_target=sign_target, **options)


@pytest.mark.parametrize("fps", [60.0, 120.0, 240.0], ids=lambda fps: f"{fps:g}fps")
@pytest.mark.parametrize("name", BETWEEN)
def test_a_level_is_found_between_the_frames(motion, make_track, times_of, fps, name):
    got = found_in(make_track(motion().swing(), fps=fps))
    allowed = 0.004 if name in ("P4", "P9") else 0.0015
    assert got[Position(name)].time.s == pytest.approx(times_of()[name], abs=allowed)


def test_a_mirrored_picture_reads_the_same(motion, make_track):
    plain = found_in(make_track(motion().swing()))
    mirrored = found_in(make_track(motion().swing(), mirrored=True), sign_target=-1)
    assert list(plain.found) == list(mirrored.found)
    for position in plain.found:
        assert mirrored[position].time.s == pytest.approx(plain[position].time.s, abs=1e-6)


def test_another_zero_of_the_clock_moves_every_position_by_it(motion, make_track):
    track = make_track(motion().swing())
    plain, later = found_in(track), found_in(track.assign_coords(time=track.time + 100.0))
    assert list(plain.found) == list(later.found)
    for position in plain.found:
        assert later[position].time.s - plain[position].time.s == pytest.approx(100.0, abs=1e-4)


def test_a_small_player_reads_the_same(motion, make_track):
    plain, small = (found_in(make_track(motion().swing(), size=size)) for size in (1.0, 0.4))
    for position in plain.found:
        apart = small[position].time.s - plain[position].time.s
        assert apart == pytest.approx(0.0, abs=0.002), position


def test_dropped_frames_at_the_top_leave_the_release_as_it_is(motion, make_track, times_of):
    track = make_track(motion().swing())
    top = times_of()["P4"]
    holed = track.isel(time=np.flatnonzero(np.abs(track.time.values - top) > 0.12))
    got = found_in(holed)
    for name in ("P6", "P7", "P8"):
        assert got[Position(name)].time.s == pytest.approx(times_of()[name], abs=0.002)


def test_still_ends_are_found_to_a_few_frames(motion, make_track):
    got = found_in(make_track(motion().swing()))
    assert got[Position.P1].time.s == pytest.approx(0.5, abs=0.03)
    assert got[Position.P10].time.s == pytest.approx(1.8, abs=0.06)


def test_positions_follow_each_other(motion, make_track):
    got = found_in(make_track(motion().swing(), noise_px=3, shaft_noise_deg=2, seed=3))
    assert list(got.found) == list(Position)
    assert not got.missing


def test_half_swing_has_no_arm_level(motion, make_track, times_of):
    half = motion().swing(top=(-165.0, -230.0))
    got = found_in(make_track(half))
    assert {p.value for p in got.missing} == {"P3", "P5"}
    assert "half swing" in got.missing[Position.P3]
    true = times_of(top=(-165.0, -230.0))
    for name in ("P2", "P6", "P8"):
        assert got[Position(name)].time.s == pytest.approx(true[name], abs=0.002)


def test_stopped_swing_has_no_p9_and_says_so(motion, make_track, times_of):
    track = make_track(motion(stop_s=times_of()["P7"] + 0.015).swing(hold=1.0))
    got = found_in(track)
    assert Position.P6 in got
    assert {p.value for p in got.missing} >= {"P8", "P9", "P10"}
    assert "stops" in got.missing[Position.P9]


def test_swing_stopped_before_the_ball_has_no_impact(motion, make_track, times_of):
    track = make_track(motion(stop_s=times_of()["P6"] + 0.02).swing(hold=1.0))
    got = found_in(track)
    assert Position.P5 in got
    assert {p.value for p in got.missing} >= {"P7", "P8", "P9", "P10"}


def test_a_neighbours_strike_gives_a_stopped_swing_no_impact(motion, make_track, times_of):
    track = make_track(motion(stop_s=times_of()["P6"] + 0.02).swing(hold=1.0))
    heard = Strike(s=times_of()["P7"], se_s=0.001, strength_db=20.0, level_db=-20.0)
    assert Position.P7 not in found_in(track, strikes=[heard])


def test_without_a_club_the_strike_near_the_hands_is_taken(motion, make_track, times_of):
    true = times_of()["P7"]
    heard = [
        Strike(s=s, se_s=0.001, strength_db=20.0, level_db=-20.0)
        for s in (true - 0.15, true + 0.001, true + 0.2)
    ]
    got = found_in(make_track(motion().swing(), club=False), strikes=heard)
    assert got[Position.P7].time.s == pytest.approx(true + 0.001, abs=0.001)


def test_swing_from_the_top_has_no_backswing(motion, make_track):
    track = make_track(motion(at=(-240.0, -360.0)).hold(0.8).to(0.5, (60.0, 180.0)).hold(0.6))
    got = found_in(track)
    assert {p.value for p in got.missing} == {"P1", "P2", "P3"}
    assert "no backswing" in got.missing[Position.P1]
    assert got[Position.P4].time.s == pytest.approx(0.8, abs=0.03)


def test_without_a_club_the_shafts_positions_are_missing(motion, make_track, times_of):
    got = found_in(make_track(motion().swing(), club=False))
    assert {p.value for p in got.missing} == {"P2", "P6", "P8"}
    impact = got[Position.P7].time
    assert impact.se > 0.01
    assert impact.s == pytest.approx(times_of()["P7"], abs=2 * impact.se)


def test_a_rolled_camera_is_set_level(motion, make_track):
    track = make_track(motion().swing())
    turn = np.radians(4.0)
    # Turn the picture counter-clockwise about its corner: level lines rise to the right.
    x, y = track.position.sel(space="x").copy(), track.position.sel(space="y").copy()
    rolled = track.copy(deep=True)
    rolled.position.loc[{"space": "x"}] = x * np.cos(turn) + y * np.sin(turn)
    rolled.position.loc[{"space": "y"}] = -x * np.sin(turn) + y * np.cos(turn)
    rolled["shaft_angle"] = rolled.shaft_angle + turn
    plain, got = found_in(track), found_in(rolled, roll_deg=4.0)
    for position in plain.found:
        assert got[position].time.s == pytest.approx(plain[position].time.s, abs=1e-4)


def test_standard_errors_are_calibrated(motion, make_track, times_of):
    """Seeded Monte Carlo: about two in three inside one standard error.

    The closed-form figure has no perspective, so the error that `lines.SE_LEVEL` allows for it
    makes these intervals a little wide; P3 and P5, where noise is most of it, are counted.
    """
    inside = {name: [] for name in ("P3", "P4", "P5", "P6")}
    for seed in range(25):
        track = make_track(motion().swing(), noise_px=3.0, shaft_noise_deg=1.5, seed=seed)
        got = found_in(track)
        for name, hits in inside.items():
            at = got[Position(name)].time
            hits.append(abs(at.s - times_of()[name]) <= at.se)
    for name, hits in inside.items():
        assert 0.5 <= np.mean(hits) <= 0.95, name
