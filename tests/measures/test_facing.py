"""The way a body faces, read off the network's rough depth, and what it adds to two cameras."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from lessonmark.measures.facing import LINES, Facing, landmark_factor, see_facing, with_facing
from lessonmark.measures.figure import Figure
from lessonmark.measures.registry import entry
from lessonmark.measures.two_view import measure_pair, reconstruct
from lessonmark.tracks.schema import BODY_KEYPOINTS
from lessonmark.words import Handedness, View


def body_track(seed: int = 3) -> xr.Dataset:
    """A body of points drawn round a standing figure; what it shows does not matter here."""
    rng = np.random.default_rng(seed)
    count, points = 5, len(BODY_KEYPOINTS)
    tall = {"shoulder": 300.0, "hip": 500.0, "knee": 700.0, "ankle": 880.0, "ear": 200.0}
    x = np.array(
        [{"left": 40.0, "right": -40.0}.get(n.partition("_")[0], 0) for n in BODY_KEYPOINTS]
    )
    y = np.array([tall.get(n.rpartition("_")[2], 400.0) for n in BODY_KEYPOINTS])
    place = np.stack([360.0 + x, y]) + rng.normal(0, 12, (count, 2, points))
    return xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), place),
            "depth": (("time", "keypoint"), rng.normal(0, 60, (count, points))),
            "visibility": (("time", "keypoint"), rng.uniform(0.5, 1.0, (count, points))),
        },
        coords={"time": np.arange(count) / 120, "keypoint": list(BODY_KEYPOINTS)},
    )


def mirrored(body: xr.Dataset) -> xr.Dataset:
    swap = {"left": "right", "right": "left"}
    order = [
        BODY_KEYPOINTS.index("_".join(swap.get(w, w) for w in n.split("_"))) for n in BODY_KEYPOINTS
    ]
    out = body.isel(keypoint=order).assign_coords(keypoint=list(BODY_KEYPOINTS))
    place = out["position"].values.copy()
    place[:, 0] = 720.0 - place[:, 0]
    return out.assign(position=(("time", "space", "keypoint"), place))


@pytest.mark.parametrize("view", list(View))
def test_a_left_hander_in_the_mirror_faces_the_same_way(view):
    right = see_facing(body_track(), view, Handedness.RIGHT)
    left = see_facing(mirrored(body_track()), view, Handedness.LEFT)
    assert left.farther_px == pytest.approx(right.farther_px, abs=1e-9)


def test_it_goes_with_the_size_of_the_picture():
    body = body_track()
    twice = body.assign(position=2 * body["position"], depth=2 * body["depth"])
    one, two = (see_facing(b, View.FACE_ON, Handedness.RIGHT) for b in (body, twice))
    assert two.farther_px == pytest.approx(2 * one.farther_px)
    value, random, shared = one.at(0.0, 3.0)
    assert np.all(np.hypot(random, shared) > 0)
    assert two.at(0.0, 3.0)[2] == pytest.approx(2 * shared)
    assert value == pytest.approx(one.farther_px[0])


def test_joint_centres_are_refused():
    body = body_track()
    body.attrs["anatomy"] = "joint centres"
    with pytest.raises(ValueError, match="own landmarks"):
        see_facing(body, View.FACE_ON, Handedness.RIGHT)


def test_what_the_table_does_not_know_keeps_its_error():
    assert landmark_factor(View.FACE_ON, "clubhead", 6.0) == 1.0
    shoulders = [landmark_factor(View.FACE_ON, "lead_shoulder", p) for p in (0.0, 3.0)]
    # Square to the camera at address it is seen well; turned away at the top it is not.
    assert shoulders[0] < 1.0 < shoulders[1]


def test_a_track_keeps_it(filmed_swing):
    swing = filmed_swing(View.FACE_ON)
    assert swing.facing is None
    body = body_track()
    track = with_facing(body, body, View.FACE_ON, Handedness.RIGHT)
    again = Facing.of(track, View.FACE_ON)
    assert again is not None
    assert again.farther_px == pytest.approx(
        see_facing(body, View.FACE_ON, Handedness.RIGHT).farther_px
    )


def test_what_the_picture_shows_takes_the_place_of_what_landmarks_say():
    body = body_track()
    alone = with_facing(body, body, View.FACE_ON, Handedness.RIGHT)
    shown = alone.assign(deeper=alone["farther"] + 30.0)
    one, both = (Facing.of(track, View.FACE_ON) for track in (alone, shown))
    before, after = one.at(0.0, 3.0), both.at(0.0, 3.0)
    np.testing.assert_allclose(after[0], before[0] + 30.0)
    total = [np.hypot(random, shared) for _, random, shared in (before, after)]
    assert np.all(np.abs(np.log(total[1] / total[0])) < np.log(2.0))
    nowhere = Facing.of(alone.assign(deeper=np.nan * alone["farther"]), View.FACE_ON)
    np.testing.assert_allclose(nowhere.at(0.0, 3.0), before)


def told(swing, filming, away):
    """The same swing, its track told how much farther each line's lead end truly is."""
    joints, camera = filming.swing(), np.array(away)
    times = swing.track["time"].values
    at = {p: swing.positions[p].time.s for p in swing.positions.found}
    rows = []
    for position in at:
        points = joints[position.value]
        hips = (points["lead_hip"] + points["trail_hip"]) / 2
        far = np.linalg.norm(hips - camera)
        ray = (hips - camera) / far
        shoulders = (points["lead_shoulder"] + points["trail_shoulder"]) / 2
        ends = [
            points["lead_shoulder"] - points["trail_shoulder"],
            points["lead_hip"] - points["trail_hip"],
            shoulders - hips,
        ]
        rows.append([float(end @ ray) * filming.FOCAL_PX / far for end in ends])
    farther = np.stack(
        [np.interp(times, list(at.values()), [r[k] for r in rows]) for k in range(len(LINES))],
        axis=1,
    )
    track = swing.track.assign_coords(line=list(LINES)).assign(
        farther=(("time", "line"), farther), body_size=(("time",), np.full(len(times), 130.0))
    )
    return type(swing)(**{**vars_of(swing), "track": track})


def vars_of(swing):
    return {name: getattr(swing, name) for name in swing.__dataclass_fields__}


def test_depth_makes_the_turn_surer_and_not_wrong(filmed_swing, filming):
    plain = [filmed_swing(view, noise_px=4.0) for view in View]
    distance, height = filming.BEST["distance"], filming.BEST["height"]
    seen = [
        told(plain[0], filming, (0.0, distance, height)),
        told(plain[1], filming, (-distance, 0.0, height)),
    ]
    (without, _), (with_depth, _) = measure_pair(*plain), measure_pair(*seen)
    figure = reconstruct(*seen)
    assert figure.rms_px < 20
    for measure in ("shoulder_turn", "pelvis_turn"):
        for position, points in filming.swing().items():
            key = f"{measure}@{position}"
            assert with_depth[key].total_se < without[key].total_se
            wrong = with_depth[key].value - entry(measure).solid(Figure(points=points))
            assert abs((wrong + 180) % 360 - 180) < 1.96 * with_depth[key].total_se
