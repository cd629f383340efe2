"""A stick of known length on the ground, projected by OpenCV, gives the scale at the hips."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

from lessonmark.errors import CannotMeasure
from lessonmark.measures.laid_length import scale_from_stick
from lessonmark.measures.scale import combine_scales
from lessonmark.measures.scale_value import Scale
from lessonmark.words import View

# Ends on the ground, cm along the target line and out from the feet: where sticks are laid.
LAID = {
    "before the ball": ((-50, 85), (70, 85)),
    "along the toes": ((-60, 30), (60, 30)),
    "beyond the ball": ((-60, 130), (60, 130)),
    "askew": ((-55, 70), (60, 100)),
}


def with_heels(filming, swing, view, setting):
    """Add heels, which the stick golfer lacks: 2 cm under the ankles and 5 behind them."""
    joints = filming.swing()["P1"]
    heels = {
        f"{side}_heel": joints[f"{side}_ankle"] + np.array([0.0, -5.0, -2.0])
        for side in ("lead", "trail")
    }
    seen = filming.picture(heels, view, **setting)
    track = swing.track
    for name, px in seen.items():
        one = track.sel(keypoint=["lead_ankle"]).assign_coords(keypoint=[name])
        one["position"] = one["position"] * 0 + np.array(px)[None, :, None]
        track = xr.concat([track, one], dim="keypoint")
    return replace(swing, track=track)


def true_px_per_cm(filming, view, setting):
    """How far apart two points lie on the picture that are 2 cm apart at the hips."""
    joints = filming.swing()["P1"]
    hips = (joints["lead_hip"] + joints["trail_hip"]) / 2
    across = np.array([1.0, 0.0, 0.0]) if view is View.FACE_ON else np.array([0.0, 1.0, 0.0])
    seen = filming.picture({"a": hips - across, "b": hips + across}, view, **setting)
    return float(np.hypot(*(np.array(seen["a"]) - np.array(seen["b"])))) / 2


def filmed(filming, filmed_swing, ends, view=View.FACE_ON, **wrong):
    setting = filming.BEST | wrong
    swing = with_heels(filming, filmed_swing(view, **wrong), view, setting)
    points = {str(k): np.array([*end, 0.0]) for k, end in enumerate(ends)}
    seen = filming.picture(points, view, **setting)
    length_cm = float(np.hypot(*(np.array(ends[0]) - np.array(ends[1]))))
    return swing, (seen["0"], seen["1"]), length_cm, true_px_per_cm(filming, view, setting)


@pytest.mark.parametrize("wrong", [{}, {"height": 60.0}, {"height": 150.0}, {"distance": 350.0}])
@pytest.mark.parametrize("ends", LAID.values(), ids=LAID)
def test_a_stick_on_the_ground_gives_the_scale_wherever_it_lies(filming, filmed_swing, ends, wrong):
    swing, stick, length_cm, true = filmed(filming, filmed_swing, ends, **wrong)
    camera = replace(swing.camera, pitch_se_deg=0.5)
    got = scale_from_stick(swing, stick, length_cm, camera=camera)
    assert got.px_per_cm == pytest.approx(true, rel=0.03)
    assert abs(got.px_per_cm - true) < 1.96 * got.se_px_per_cm
    assert got.relative_se < 0.05
    assert got.sources == ("reference",)
    back = scale_from_stick(swing, stick[::-1], length_cm, camera=camera)
    assert back.px_per_cm == pytest.approx(got.px_per_cm)


def test_without_a_level_edge_it_is_less_sure_and_says_so(filming, filmed_swing):
    swing, stick, length_cm, true = filmed(filming, filmed_swing, LAID["before the ball"])
    sure = scale_from_stick(swing, stick, length_cm, camera=replace(swing.camera, pitch_se_deg=0.5))
    camera = replace(swing.camera, pitch_deg=None, pitch_se_deg=5.0)
    got = scale_from_stick(swing, stick, length_cm, camera=camera)
    assert got.se_px_per_cm > 1.5 * sure.se_px_per_cm
    assert abs(got.px_per_cm - true) < 1.96 * got.se_px_per_cm


def test_a_length_that_was_read_off_wrongly_is_flagged_beside_the_stature(filming, filmed_swing):
    """A stick of four feet (121.9 cm) entered as one of a metre."""
    swing, stick, length_cm, true = filmed(filming, filmed_swing, LAID["along the toes"])
    stature = Scale(px_per_cm=true, se_px_per_cm=0.035 * true, sources=("stature",))
    camera = replace(swing.camera, pitch_se_deg=0.5)
    right = combine_scales([stature, scale_from_stick(swing, stick, length_cm, camera=camera)])
    assert "doubt" not in right.note
    assert right.se_px_per_cm < stature.se_px_per_cm
    wrong = scale_from_stick(swing, stick, length_cm * 100 / 121.9, camera=camera)
    both = combine_scales([stature, wrong])
    assert "centimetres are in doubt: stature and reference differ" in both.note


@pytest.mark.parametrize(
    ("stick", "length_cm", "why"),
    [
        (((500, 1500), (510, 1500)), 120.0, "too short"),
        (((100, 1500), (900, 1500)), 0.0, "too short"),
        (((500, 300), (700, 300)), 120.0, "does not lie on the ground"),
        (((540, 1010), (545, 1100)), 120.0, "end on"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_stick_that_gives_no_scale_is_refused_with_its_reason(
    filming, filmed_swing, stick, length_cm, why
):
    swing, *_ = filmed(filming, filmed_swing, LAID["askew"])
    with pytest.raises(CannotMeasure, match=why):
        scale_from_stick(swing, stick, length_cm, camera=swing.camera)
