"""The scale: handbook fractions, equipment rules, and how sources are combined."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from lessonmark.errors import CannotMeasure
from lessonmark.measures.depth import nearer
from lessonmark.measures.scale import (
    BALL_CM,
    SEGMENTS,
    combine_scales,
    find_scale,
    scale_from_ball,
    scale_from_club,
    scale_from_reference,
    scale_from_stature,
)
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import SwingSeen
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Handedness, Position, View


def test_segment_fractions_are_the_handbooks():
    # Drillis & Contini in Winter 2009, fig. 4.1, by the heights of the joints printed there:
    # knee 0.285 - ankle 0.039, hip 0.530 - knee 0.285.
    assert SEGMENTS["shank"] == pytest.approx(0.285 - 0.039, abs=1e-9)
    assert SEGMENTS["thigh"] == pytest.approx(0.530 - 0.285, abs=1e-9)


def test_the_least_ball_is_the_rules():
    # The R&A and USGA, Equipment Rules: diameter not less than 1.680 in; an inch is 25.4 mm.
    assert pytest.approx(1.680 * 2.54, abs=5e-4) == BALL_CM


def standing(px_per_cm=4.0, stature=180.0, club_cm=95.0, distance=450.0, view=View.FACE_ON):
    """A golfer's legs at address and a club at P2, each at its nominal depth, drawn to scale."""

    def px(name, along, up, position):
        near = nearer(name, position, view) * stature
        size = px_per_cm / (1 - near / distance)
        return 500 + size * along, 800 - size * up

    h = stature
    legs = {}
    for side, sign in (("lead", 1), ("trail", -1)):
        legs[f"{side}_ankle"] = (sign * 20.0, 0.039 * h)
        legs[f"{side}_knee"] = (sign * 17.0, 0.280 * h)
        legs[f"{side}_hip"] = (sign * 10.0, 0.510 * h)
        legs[f"{side}_shoulder"] = (sign * 18.0, 0.75 * h)
    club = {"grip_butt": (-35.0, 85.0), "grip_mid": (-45.0, 85.0), "clubhead": (-128.0, 85.0)}
    names = [*legs, *club]
    times = np.array([0.0, 0.5, 1.0, 1.5])
    place = np.empty((4, 2, len(names)))
    for k, name in enumerate(names):
        position = Position.P2 if name in club else Position.P1
        place[:, :, k] = px(name, *{**legs, **club}[name], position)
    cov = np.zeros((4, 2, 2, len(names)))
    cov[:, 0, 0] = cov[:, 1, 1] = 0.25
    track = xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), place),
            "position_cov": (("time", "space", "space_other", "keypoint"), cov),
            "visibility": (("time", "keypoint"), np.ones((4, len(names)))),
        },
        coords={"time": times, "space": ["x", "y"], "keypoint": names},
    )
    found = {
        p: PositionTime(position=p, time=Time(s=s, se=0.01), how="drawn")
        for p, s in ((Position.P1, 0.2), (Position.P2, 0.9))
    }
    return SwingSeen(
        track=track,
        positions=SwingPositions(found=found),
        view=view,
        handedness=Handedness.RIGHT,
        toward=1,
        width=1000,
        height=1000,
        fps=120.0,
        stature_cm=stature,
    )


def test_stature_gives_the_scale_that_the_legs_were_drawn_at():
    found = scale_from_stature(standing(px_per_cm=4.0), 180.0)
    # The legs are drawn with bent knees, 3 % short of the handbook's straight ones.
    assert found.px_per_cm == pytest.approx(4.0, rel=0.04)
    assert 0.02 < found.relative_se < 0.06


def test_the_club_at_p2_gives_the_scale():
    found = scale_from_club(standing(px_per_cm=4.0), 95.0)
    assert found.px_per_cm == pytest.approx(4.0, rel=0.05)


def test_the_club_is_no_scale_from_down_the_line():
    with pytest.raises(CannotMeasure, match="camera's axis"):
        scale_from_club(standing(view=View.DOWN_THE_LINE), 95.0)


def test_a_ball_at_the_hips_depth_gives_its_diameters_scale():
    # References 7: f 1500 px, ball 42.67 mm: 16.001 px at 4 m, where a centimetre is 3.75 px.
    swing = standing()
    near = scale_from_ball(swing, 16.001, 0.3)
    # It lies some 80 cm nearer than the hips, so that their scale is the smaller.
    assert near.px_per_cm < 3.75
    assert near.px_per_cm == pytest.approx(3.75 * (1 - 0.46 * 180 / 450), rel=0.01)


def test_a_reference_in_the_hips_plane_needs_no_depth():
    found = scale_from_reference(
        standing(), ((100.0, 900.0), (500.0, 900.0)), 100.0, click_se_px=1.0, near_cm=0.0
    )
    assert found.px_per_cm == pytest.approx(4.0)
    assert found.se_px_per_cm == pytest.approx(4.0 * np.sqrt(2) / 400)


def test_two_clicks_on_one_spot_are_refused():
    with pytest.raises(CannotMeasure, match="too short"):
        scale_from_reference(standing(), ((100.0, 900.0), (102.0, 900.0)), 100.0)


def of(px_per_cm, se, source):
    return Scale(px_per_cm=px_per_cm, se_px_per_cm=se, sources=(source,))


def test_scales_combine_by_inverse_variance():
    # Two readings 4.0 ± 0.1 and 4.1 ± 0.2: weights 100 and 25, mean 4.02, se 0.0894.
    both = combine_scales([of(4.0, 0.1, "stature"), of(4.1, 0.2, "club")])
    assert both.px_per_cm == pytest.approx(4.02)
    assert both.se_px_per_cm == pytest.approx(1 / np.sqrt(125))
    assert both.sources == ("stature", "club")


def test_scales_that_disagree_are_flagged_and_widen_the_error():
    # 4.0 ± 0.05 and 4.6 ± 0.05 lie 8.5 standard errors apart: chi-squared 72 on 1 degree, so the
    # error of the mean grows by its root (Birge 1932).
    both = combine_scales([of(4.0, 0.05, "stature"), of(4.6, 0.05, "club")])
    assert "doubt" in both.note
    assert "stature" in both.note
    assert both.se_px_per_cm == pytest.approx(0.05 / np.sqrt(2) * np.sqrt(72.0))


def test_nothing_known_is_no_scale():
    assert find_scale(standing()) is None


def test_an_impossible_scale_cannot_be_built():
    with pytest.raises(ValueError, match="above 0"):
        of(0.0, 0.1, "stature")
