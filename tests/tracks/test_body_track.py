"""The body track of the demo's first clip, against its true joints and through a file."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from lessonmark.errors import UnusableClip
from lessonmark.media.clip import Frame
from lessonmark.media.frames import read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.tracks.body import BodyTracker
from lessonmark.tracks.dataset import body_dataset, read_track, write_track
from lessonmark.tracks.schema import BODY_KEYPOINTS
from lessonmark.tracks.sides import by_lead_trail
from lessonmark.words import Handedness, View

DEMO = Path(__file__).parents[2] / "demo"
CLIP = "before/face-on/clip_00.mp4"
pytestmark = pytest.mark.network_weights


@pytest.fixture(scope="module")
def tracker() -> BodyTracker:
    return BodyTracker()


@pytest.fixture(scope="module")
def clip():
    return probe_clip(DEMO / "lesson" / CLIP)


@pytest.fixture(scope="module")
def track(tracker, clip):
    """Address, backswing, top and downswing."""
    raw = tracker.track(lambda: read_frames(clip, stop_s=1.65))
    return body_dataset(raw, clip=clip, view=View.FACE_ON, handedness=Handedness.RIGHT)


def test_joints_lie_near_the_truth(track):
    truth = json.loads((DEMO / "truth.json").read_text())[CLIP]["positions"]["P1"]
    at = track.sel(time=truth["time"], method="nearest")
    # Pixels of a golfer 320 px tall. Knees and ankles mean the same to network and truth; the
    # shoulders' and hips' other definition is `anatomy`'s business.
    for name, joint in (
        ("left_ankle", "ankle_lead"),
        ("right_ankle", "ankle_trail"),
        ("left_knee", "knee_lead"),
        ("right_knee", "knee_trail"),
    ):
        off = at["position"].sel(keypoint=name).values - truth["joints2d"][joint]
        assert np.hypot(*off) < 12, name


def test_every_frame_has_every_point_and_a_valid_covariance(track):
    assert list(track["keypoint"].values) == list(BODY_KEYPOINTS)
    assert np.isfinite(track["position"].values).all()
    cov = np.moveaxis(track["position_cov"].values, (1, 2), (-2, -1))
    assert (np.linalg.eigvalsh(cov) > 0).all()
    assert track["time"].size > 150


def test_the_network_looks_as_often_as_the_body_moves(track):
    looked = track["looked_at"].values
    truth = json.loads((DEMO / "truth.json").read_text())[CLIP]["events"]
    address = looked[: int((truth["P1"] - 0.05) * 120)]
    downswing = looked[int(truth["P5"] * 120) : int(truth["P7"] * 120)]
    assert address.mean() < 0.4
    assert downswing.mean() > 0.9


def test_a_track_reads_back_as_it_was_written(track, tmp_path):
    write_track(track, tmp_path / "track.nc")
    back = read_track(tmp_path / "track.nc")
    np.testing.assert_allclose(back["position"], track["position"], atol=1e-3)
    assert back.attrs["view"] == "face-on"
    assert set(back.dims) == {"time", "space", "space_other", "keypoint"}


def test_lead_and_trail_follow_the_hand_and_middles_are_means(track):
    right, left = (by_lead_trail(track, hand) for hand in Handedness)
    np.testing.assert_allclose(
        right["position"].sel(keypoint="lead_hip"), left["position"].sel(keypoint="trail_hip")
    )
    ends = right["position"].sel(keypoint=["lead_hip", "trail_hip"]).mean("keypoint")
    np.testing.assert_allclose(right["position"].sel(keypoint="mid_hip"), ends)
    cov = right["position_cov"].sel(keypoint=["lead_hip", "trail_hip"]).sum("keypoint") / 4
    cov = cov * 1.5  # hips' errors go together (bench/landmarks.py)
    np.testing.assert_allclose(right["position_cov"].sel(keypoint="mid_hip"), cov)


def test_a_clip_without_a_person_says_so(tracker):
    rng = np.random.default_rng(2)
    grass = rng.normal((70, 110, 50), 15, (360, 480, 3)).clip(0, 255).astype(np.uint8)
    frames = [Frame(index=i, s=i / 30, image=grass) for i in range(12)]
    with pytest.raises(UnusableClip, match="nobody is to be seen"):
        tracker.track(lambda: iter(frames))


def test_of_two_people_the_one_who_swings_is_kept(tracker, clip):
    """A motionless twin, nearer to the camera, stands beside the golfer."""
    frames = list(read_frames(clip, start_s=0.4, stop_s=1.4, every=3))
    twin = frames[0].image[330:1050, :405].repeat(16, axis=0)[::9].repeat(16, axis=1)[:, ::9]
    width = twin.shape[1]

    def beside():
        for number, frame in enumerate(frames):
            image = np.concatenate([twin[: frame.image.shape[0]], frame.image], axis=1)
            yield Frame(index=number, s=frame.s, image=image)

    raw = tracker.track(beside)
    hips = np.array([look.landmarks.position[23:25].mean(0) for look in raw.looks])
    assert raw.people == 2
    assert np.all(hips[:, 0] > width)
