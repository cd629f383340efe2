"""The picture's own sight of the joints, against the demo's true joints, and its mean with another.

Truth from outside: the rendered swings' joints (`demo/truth.json`, known by construction; neither
the renderer nor the bodies are those that the network was trained on).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from lessonmark.media.clip import Frame
from lessonmark.media.frames import read_frame_nearest
from lessonmark.media.probe import probe_clip
from lessonmark.tracks.refined import refine_joints
from lessonmark.tracks.refiner import REFINED, JointRefiner, RefinedLook
from lessonmark.tracks.schema import BODY_KEYPOINTS, DEPTH_LINES, SPACE

DEMO = Path(__file__).parents[2] / "demo"
ROLE = {"left": "lead", "right": "trail"}  # the demo's player is right-handed


@pytest.fixture(scope="module")
def refiner() -> JointRefiner:
    return JointRefiner()


def true_joints(clip: str, position: str) -> tuple[dict[str, np.ndarray], float]:
    at = json.loads((DEMO / "truth.json").read_text())[clip]["positions"][position]
    joints = {}
    for name in REFINED:
        side, part = name.split("_")
        joints[name] = np.array(at["joints2d"][f"{part}_{ROLE[side]}"])
    return joints, float(at["time"])


def size_px(joints: dict[str, np.ndarray]) -> float:
    """Trunk, thighs and shanks as they show at address; they are longer in space."""
    middle = {p: (joints[f"left_{p}"] + joints[f"right_{p}"]) / 2 for p in ("shoulder", "hip")}
    squares = [((middle["shoulder"] - middle["hip"]) ** 2).sum()]
    for side in ("left", "right"):
        for a, b in (("hip", "knee"), ("knee", "ankle")):
            squares.append(((joints[f"{side}_{a}"] - joints[f"{side}_{b}"]) ** 2).sum())
    return 1.1 * float(np.sqrt(np.mean(squares)))


@pytest.mark.parametrize(
    ("clip", "positions"),
    [
        ("before/face-on/clip_00.mp4", ("P1", "P3", "P4", "P6", "P8")),
        ("after/down-the-line/clip_00.mp4", ("P1", "P4", "P6")),
    ],
)
def test_joints_lie_near_the_truth_and_the_stated_errors_hold(refiner, clip, positions):
    address, _ = true_joints(clip, "P1")
    size = size_px(address)
    off, said = [], []
    for position in positions:
        joints, s = true_joints(clip, position)
        frame = read_frame_nearest(probe_clip(DEMO / "lesson" / clip), s)
        hips = (joints["left_hip"] + joints["right_hip"]) / 2
        look = refiner.look(frame.image, middle=hips, size_px=size, mirrored=False)
        off.append(look.position - np.stack([joints[name] for name in REFINED]))
        said.append(look.se)
    gaps = np.linalg.norm(np.array(off), axis=2) / size
    trunk = [i for i, n in enumerate(REFINED) if n.split("_")[1] in ("shoulder", "hip", "knee")]
    assert np.sqrt(np.mean(gaps[:, trunk] ** 2)) < 0.10
    within = np.abs(np.array(off)) < 3 * 1.3 * np.array(said)[:, :, None]
    assert within.mean() > 0.95


def true_deeper(clip: str, position: str) -> dict[str, float]:
    """How much farther than the hips joints lie along the ray to them, px, by the true camera."""
    told = json.loads((DEMO / "truth.json").read_text())[clip]
    camera = told["camera"]
    turn, shift = np.array(camera["R0"]), np.array(camera["t0"])
    points = {
        name: turn @ np.array(told["positions"][position]["joints3d"][name]) + shift
        for name in ("shoulder_lead", "shoulder_trail", "hip_lead", "hip_trail")
    }
    hips = (points["hip_lead"] + points["hip_trail"]) / 2
    away = np.linalg.norm(hips)
    px = camera["fx"] / away
    return {name: float((at - hips) @ hips / away) * px for name, at in points.items()}


@pytest.mark.parametrize(
    ("clip", "part"),
    [
        ("before/face-on/clip_00.mp4", "shoulder"),
        ("before/face-on/clip_00.mp4", "hip"),
        ("after/down-the-line/clip_00.mp4", "hip"),
    ],
)
def test_the_picture_tells_which_end_of_a_line_is_nearer_and_by_how_much(refiner, clip, part):
    size = size_px(true_joints(clip, "P1")[0])
    off, true = [], []
    for position in ("P1", "P2", "P3", "P4", "P5", "P6", "P7", "P8"):
        joints, s = true_joints(clip, position)
        frame = read_frame_nearest(probe_clip(DEMO / "lesson" / clip), s)
        hips = (joints["left_hip"] + joints["right_hip"]) / 2
        look = refiner.look(frame.image, middle=hips, size_px=size, mirrored=False)
        lead, trail = (look.deeper[REFINED.index(f"{side}_{part}")] for side in ROLE)
        deeper = true_deeper(clip, position)
        true.append(deeper[f"{part}_lead"] - deeper[f"{part}_trail"])
        off.append(lead - trail - true[-1])
    # A tenth of a body size is 4 to 5 cm; the line itself turns by far more in a swing.
    assert np.sqrt(np.mean(np.square(off))) < 0.1 * size
    assert np.std(off) < 0.5 * np.std(true)


def test_a_left_hander_is_a_right_hander_in_a_mirror(refiner):
    joints, s = true_joints("before/face-on/clip_00.mp4", "P3")
    image = read_frame_nearest(probe_clip(DEMO / "lesson/before/face-on/clip_00.mp4"), s).image
    hips = (joints["left_hip"] + joints["right_hip"]) / 2
    plain = refiner.look(image, middle=hips, size_px=92.0, mirrored=False)
    width = image.shape[1]
    turned = refiner.look(
        np.ascontiguousarray(image[:, ::-1]),
        middle=np.array([width - hips[0], hips[1]]),
        size_px=92.0,
        mirrored=True,
    )
    swapped = [REFINED.index(_other(name)) for name in REFINED]
    expected = plain.position[swapped] * np.array([-1.0, 1.0]) + np.array([width, 0.0])
    np.testing.assert_allclose(turned.position, expected, atol=0.6)
    np.testing.assert_allclose(turned.se, plain.se[swapped], rtol=0.1)
    np.testing.assert_allclose(turned.deeper, plain.deeper[swapped], atol=0.6)


def _other(name: str) -> str:
    side, part = name.split("_")
    return f"{'right' if side == 'left' else 'left'}_{part}"


@dataclass
class Told:
    """A refiner that has been told what to see: so many px to the right of the track."""

    track: xr.Dataset
    right_px: float
    se_px: float
    lead_shoulder_deeper_px: float = 20.0
    only: tuple[str, ...] = REFINED  # the joints that are seen there, the rest on the track

    def look(self, image, *, middle, size_px, mirrored) -> RefinedLook:
        row = int(image[0, 0, 0])
        place = self.track["position"].sel(keypoint=list(REFINED)).isel(time=row)
        there = np.isin(REFINED, self.only)[:, None] * np.array([self.right_px, 0.0])
        xy = place.transpose("keypoint", "space").values + there
        deeper = np.zeros(len(REFINED))
        deeper[REFINED.index("left_shoulder")] = self.lead_shoulder_deeper_px
        se = np.full(len(REFINED), self.se_px)
        return RefinedLook(position=xy, se=se, deeper=deeper)


def joint_track(frames: int = 60) -> xr.Dataset:
    times = np.arange(frames) / 120
    rng = np.random.default_rng(3)
    place = rng.uniform(200, 400, (1, 2, 33)) + 30 * np.sin(4 * times)[:, None, None]
    square = ("time", "space", "space_other", "keypoint")
    eye = np.eye(2)[None, :, :, None] * np.ones((frames, 1, 1, 33))
    return xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), place),
            "velocity": (("time", "space", "keypoint"), np.gradient(place, times, axis=0)),
            "position_cov": (square, 4.0 * eye),
            "position_systematic": (square, 12.0 * eye),
            "looked_at": (("time",), np.ones(frames, np.int8)),
        },
        coords={
            "time": times,
            "space": list(SPACE),
            "space_other": list(SPACE),
            "keypoint": list(BODY_KEYPOINTS),
        },
        attrs={"handedness": "right", "fps": 120.0, "view": "face-on"},
    )


def frames_of(track: xr.Dataset):
    def frames(start_s: float, stop_s: float):
        for row, s in enumerate(track["time"].values):
            if start_s <= s <= stop_s:
                yield Frame(index=row, s=float(s), image=np.full((4, 4, 3), row, np.uint8))

    return frames


def test_two_sights_of_one_error_meet_in_the_middle_and_are_surer():
    """With equal errors and correlation r the variance is (1 + r) / 2 of one (Gauss-Markov)."""
    track = joint_track()
    told = Told(track, right_px=4.0, se_px=4.0 / 1.1)
    out = refine_joints(frames_of(track), track, refiner=told, spans=[(0.0, 1.0)])
    row = 30
    shift = (out["position"] - track["position"]).isel(time=row).sel(keypoint=list(REFINED))
    np.testing.assert_allclose(shift.sel(space="x"), 2.0, atol=0.1)  # equal errors, any correlation
    np.testing.assert_allclose(shift.sel(space="y"), 0.0, atol=0.1)
    total = (out["position_cov"] + out["position_systematic"]).isel(time=row)
    var = total.sel(space="x", space_other="x", keypoint="left_hip")  # r is one half there
    assert float(var) == pytest.approx(12.0, rel=0.03)
    still = [name for name in BODY_KEYPOINTS if name not in REFINED]
    np.testing.assert_array_equal(
        out["position"].sel(keypoint=still), track["position"].sel(keypoint=still)
    )


ARMS = ("left_elbow", "left_wrist", "right_elbow", "right_wrist")


@pytest.mark.parametrize(
    ("only", "low", "high"),
    [
        (ARMS, 59.9, 60.1),  # of equal errors: half way, however far apart the two are
        (REFINED, 0.0, 4.0),  # all over the body: no posture that the picture's sight knows
    ],
)
def test_a_picture_far_from_the_landmarks_is_doubted_only_where_all_the_body_is(only, low, high):
    track = joint_track()
    told = Told(track, right_px=120.0, se_px=4.0 / 1.1, only=only)
    out = refine_joints(frames_of(track), track, refiner=told, spans=[(0.0, 1.0)])
    shift = (out["position"] - track["position"]).isel(time=30).sel(space="x")
    assert low <= float(shift.sel(keypoint="left_wrist")) <= high
    knee = float(shift.sel(keypoint="left_knee"))
    assert knee == pytest.approx(0.0, abs=0.1) if only == ARMS else 0.0 <= knee < 4.0


def test_outside_the_swings_nothing_changes_and_the_track_given_is_kept():
    track = joint_track()
    before = track.copy(deep=True)
    told = Told(track, right_px=4.0, se_px=2.0)
    out = refine_joints(frames_of(track), track, refiner=told, spans=[(0.2, 0.45)])
    outside = (track["time"] < 0.2) | (track["time"] > 0.45)
    np.testing.assert_array_equal(
        out["position"].isel(time=outside), track["position"].isel(time=outside)
    )
    xr.testing.assert_identical(track, before)
    np.testing.assert_array_equal(np.isnan(out["deeper"]).all("line"), outside)
    assert float(abs(out["position"] - track["position"]).max()) > 1.0


def test_a_span_that_is_hardly_seen_is_left_alone():
    track = joint_track()
    told = Told(track, right_px=4.0, se_px=2.0)
    out = refine_joints(lambda a, b: iter(()), track, refiner=told, spans=[(0.0, 1.0)])
    xr.testing.assert_identical(out.drop_vars(["deeper", "line"]), track)
    assert np.isnan(out["deeper"]).all()


@pytest.mark.parametrize(("hand", "sign"), [("right", 1.0), ("left", -1.0)])
def test_depth_is_told_of_the_lead_side_against_the_trail_side(hand, sign):
    track = joint_track().assign_attrs(handedness=hand)
    told = Told(track, right_px=0.0, se_px=4.0)
    out = refine_joints(frames_of(track), track, refiner=told, spans=[(0.0, 1.0)])
    shoulder, hip, trunk = (out["deeper"].sel(line=line) for line in DEPTH_LINES)
    np.testing.assert_allclose(shoulder, sign * 20.0, atol=1e-6)
    np.testing.assert_allclose(hip, 0.0, atol=1e-6)
    np.testing.assert_allclose(trunk, 10.0, atol=1e-6)  # the middle of one deep and one level
