"""A drawn golf club, averaged over the exposure, against the tracker."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import pytest
import xarray as xr

from lessonmark.media.clip import ClipInfo, Frame
from lessonmark.tracks.club import ClubTrack, track_club
from lessonmark.tracks.schema import BODY_KEYPOINTS, CLUB_KEYPOINTS, SPACE
from lessonmark.words import Handedness, View

WIDTH, HEIGHT, FPS = 420, 440, 120.0
LENGTH_PX = 150.0  # butt to sole
HANDS_TO_HEAD_PX = 134.0
SHIFT = 4  # cv2's fixed-point digits: drawing to a sixteenth of a pixel
SUBFRAMES = 9


@dataclass(kw_only=True)
class Scene:
    """A swing drawn on grass: half a second of standing, back, through and a held finish."""

    shade: float = 235.0  # of the shaft
    hidden: tuple[float, float] = (9.0, 9.0)  # s, between these the club is not drawn
    club: bool = True
    mirrored: bool = False
    tremble_px: float = 0.0  # of the camera
    shutter_s: float = 1 / 500
    drawn: list[Frame] = field(default_factory=list)
    times: np.ndarray = field(default_factory=lambda: np.arange(180) / FPS)

    def angle(self, s: np.ndarray | float) -> np.ndarray:
        """Hands to head, atan2(dy, dx) y down: address, 150 degrees back, 300 through, finish."""
        s = np.asarray(s, float)
        back = 0.5 - 0.5 * np.cos(np.pi * np.clip((s - 0.3) / 0.5, 0, 1))
        through = np.clip((s - 0.8) / 0.3, 0, 1)
        through = through**3 * (10 - 15 * through + 6 * through**2)
        turned = np.pi / 2 + np.radians(150) * back - np.radians(300) * through
        return np.pi - turned if self.mirrored else turned

    def hands(self, s: np.ndarray | float) -> np.ndarray:
        """Hands' middle, px, on a small arc."""
        angle = 0.45 * (self.angle(s) - np.pi / 2) + np.pi / 2
        middle = np.array([WIDTH / 2, HEIGHT / 2 - 40])
        return middle + 45.0 * np.stack([np.cos(angle), np.sin(angle)], axis=-1)

    def camera(self, s: float) -> np.ndarray:
        return self.tremble_px * np.array([np.sin(9 * s), np.cos(7 * s) - 1])

    def frames(self, start_s: float, stop_s: float) -> Iterator[Frame]:
        if not self.drawn:
            self.drawn.extend(self._draw())
        return (frame for frame in self.drawn if start_s - 1e-6 <= frame.s <= stop_s + 1e-6)

    def _draw(self) -> Iterator[Frame]:
        random = np.random.default_rng(5)
        size = (HEIGHT + 40, WIDTH + 40)
        grass = cv2.GaussianBlur(random.normal(0, 60, size).astype(np.float32), (0, 0), 2.5)
        grass = 110 + 2.0 * grass
        noise = np.random.default_rng(6)
        for index, s in enumerate(self.times):
            s = float(s)
            moved = np.float32([[1, 0, -20], [0, 1, -20]])
            moved[:, 2] += self.camera(s)
            ground = cv2.warpAffine(grass, moved, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REFLECT)
            total = np.zeros_like(ground)
            half = self.shutter_s / 2
            swept = abs(float(self.angle(s + half) - self.angle(s - half)))
            parts = np.linspace(-half, half, SUBFRAMES) if swept > 0.005 else np.zeros(1)
            for part in parts:
                total += self._instant(ground, s, s + part)
            image = total / len(parts) + noise.normal(0, 1.5, ground.shape)
            yield Frame(index=index, s=s, image=image.clip(0, 255).astype(np.uint8))

    def _instant(self, ground: np.ndarray, frame_s: float, s: float) -> np.ndarray:
        image = ground.copy()
        hands = self.hands(s) + self.camera(frame_s)
        body = (WIDTH // 2, HEIGHT // 2 - 90)
        cv2.ellipse(image, body, (26, 60), 0, 0, 360, 60.0, -1)
        _line(image, np.array(body, float), hands, 70.0, 12)
        if self.club and not self.hidden[0] <= frame_s < self.hidden[1]:
            angle = float(self.angle(s))
            head = hands + HANDS_TO_HEAD_PX * np.array([np.cos(angle), np.sin(angle)])
            _line(image, hands, head, self.shade, 2)
            cv2.circle(image, tuple(int(v) for v in head), 4, self.shade, -1)
        _line(image, hands - 3, hands + 3, 150.0, 12)
        return image

    def body(self) -> xr.Dataset:
        """Return what a pose network would say of it: everything at the hands or the trunk."""
        count = len(self.times)
        random = np.random.default_rng(7)
        hands = np.array([self.hands(s) + self.camera(float(s)) for s in self.times])
        position = np.zeros((count, 2, len(BODY_KEYPOINTS)))
        for k, name in enumerate(BODY_KEYPOINTS):
            place = np.tile([WIDTH / 2, HEIGHT / 2 - 90.0], (count, 1))
            if name.endswith(("wrist", "index", "pinky", "thumb")):
                wander = np.cumsum(random.normal(0, 0.4, (count, 2)), axis=0)
                place = hands + wander - wander.mean(axis=0)
            elif name.endswith("elbow"):
                place = 0.5 * (place + hands)
            elif name.endswith(("ear", "ankle")):
                place[:, 1] += -70 if name.endswith("ear") else 190
            position[:, :, k] = place
        covariance = np.zeros((count, 2, 2, len(BODY_KEYPOINTS)))
        covariance[:, 0, 0] = covariance[:, 1, 1] = 4.0
        return xr.Dataset(
            {
                "position": (("time", "space", "keypoint"), position),
                "position_cov": (("time", "space", "space_other", "keypoint"), covariance),
                "velocity": (
                    ("time", "space", "keypoint"),
                    np.gradient(position, self.times, axis=0),
                ),
                "visibility": (("time", "keypoint"), np.ones((count, len(BODY_KEYPOINTS)))),
            },
            coords={
                "time": self.times,
                "space": list(SPACE),
                "space_other": list(SPACE),
                "keypoint": list(BODY_KEYPOINTS),
            },
        )

    def track(self, *, spans: tuple[tuple[float, float], ...] = ((0.0, 9.0),)) -> ClubTrack:
        return track_club(
            self.frames,
            self.body(),
            clip=clip_info(),
            view=View.FACE_ON,
            handedness=Handedness.RIGHT,
            club_length_cm=95.0,
            px_per_cm=LENGTH_PX / 95.0,
            spans=spans,
        )

    def error_deg(self, track: xr.Dataset) -> np.ndarray:
        """Return tracked minus drawn angle, degrees (y up)."""
        gap = track["shaft_angle"].to_numpy() + self.angle(self.times)
        return np.degrees(np.mod(gap + np.pi, 2 * np.pi) - np.pi)


def _line(image: np.ndarray, start: np.ndarray, stop: np.ndarray, shade: float, thick: int) -> None:
    # OpenCV counts pixel centres from 0, the truth from the outer corner.
    ends = [tuple(round(v) for v in (end - 0.5) * 2**SHIFT) for end in (start, stop)]
    layer = np.zeros(image.shape, np.uint8)
    cv2.line(layer, ends[0], ends[1], 255, thick, cv2.LINE_AA, SHIFT)
    cover = layer.astype(np.float32) / 255
    image += cover * (shade - image)


def clip_info() -> ClipInfo:
    return ClipInfo(
        path=Path("drawn.mp4"), sha256="0" * 64, width=WIDTH, height=HEIGHT, rotation_deg=0,
        codec="h264", pixel_format="yuv420p", duration_s=1.5, fps_container=FPS, fps_filmed=FPS,
        fps_source="container", variable_rate=False, has_sound=False, created=None,
    )  # fmt: skip


@pytest.fixture(scope="module")
def tracked() -> Callable[..., tuple[Scene, ClubTrack]]:
    """Track a scene, each only once a module."""
    known: dict[tuple[tuple[str, object], ...], tuple[Scene, ClubTrack]] = {}

    def of(**how: object) -> tuple[Scene, ClubTrack]:
        key = tuple(sorted(how.items()))
        if key not in known:
            scene = Scene(**how)  # type: ignore[arg-type]  # the test's own keywords
            known[key] = scene, scene.track()
        return known[key]

    return of


SCENES = {
    "bright": {},
    "dark shaft": {"shade": 15.0},
    "mirrored": {"mirrored": True},
    "held camera": {"tremble_px": 3.0},
    "long exposure": {"shutter_s": 1 / 150},
}


@pytest.mark.parametrize("how", SCENES.values(), ids=list(SCENES))
def test_the_drawn_shaft_is_followed(tracked, how):
    scene, got = tracked(**how)
    assert got.found
    assert got.note == ""
    seen = got.track["shaft_seen"].to_numpy() > 0
    error = scene.error_deg(got.track)
    assert seen.mean() > 0.9
    assert np.sqrt(np.mean(error[seen] ** 2)) < 1.5


@pytest.mark.parametrize("how", SCENES.values(), ids=list(SCENES))
def test_the_truth_lies_inside_the_stated_error(tracked, how):
    scene, got = tracked(**how)
    inside = np.abs(scene.error_deg(got.track)) < 1.96 * np.degrees(got.track["shaft_angle_se"])
    assert inside.mean() > 0.88


def test_the_head_is_where_the_line_ends(tracked):
    scene, got = tracked()
    angle = scene.angle(scene.times)
    head = scene.hands(scene.times) + HANDS_TO_HEAD_PX * np.stack(
        [np.cos(angle), np.sin(angle)], axis=1
    )
    found = got.track["position"].sel(keypoint="clubhead").to_numpy()
    assert np.median(np.hypot(*(found - head).T)) < 8.0


def test_the_rate_is_the_angles_own_slope(tracked):
    scene, got = tracked()
    rate = -np.gradient(scene.angle(scene.times), scene.times)
    middle = slice(20, -20)
    off = got.track["shaft_rate"].to_numpy()[middle] - rate[middle]
    assert np.median(np.abs(off)) < 0.5  # rad/s, of up to 33


def test_a_club_that_vanishes_is_predicted_with_a_larger_error(tracked):
    scene, got = tracked(hidden=(0.90, 0.94))
    gone = (scene.times >= 0.90) & (scene.times < 0.94)
    assert (got.track["shaft_seen"].to_numpy()[gone] == 0).all()
    se = np.degrees(got.track["shaft_angle_se"].to_numpy())
    assert se[gone].mean() > 1.5 * np.median(se[~gone])
    inside = np.abs(scene.error_deg(got.track)[gone]) < 2.6 * se[gone]
    assert inside.all()


def test_without_a_club_the_body_track_goes_on_with_a_reason(tracked):
    scene, got = tracked(club=False)
    assert not got.found
    assert "could not be seen" in got.note
    xr.testing.assert_identical(got.track, scene.body())


def test_a_golfer_too_far_away_is_refused_in_words():
    scene = Scene()
    got = track_club(
        scene.frames,
        scene.body(),
        clip=clip_info(),
        view=View.FACE_ON,
        handedness=Handedness.RIGHT,
        club_length_cm=95.0,
        px_per_cm=0.3,
        spans=[(0.0, 9.0)],
    )
    assert not got.found
    assert "too small" in got.note


def test_outside_the_swing_nothing_is_claimed():
    scene = Scene()
    got = scene.track(spans=((0.25, 1.3),))
    outside = (scene.times < 0.25) | (scene.times > 1.3)
    assert got.found
    assert np.isnan(got.track["shaft_angle"].to_numpy()[outside]).all()
    assert np.isfinite(got.track["shaft_angle"].to_numpy()[~outside]).all()


def test_the_track_keeps_its_layout_and_the_body_its_values(tracked):
    scene, got = tracked()
    body = scene.body()
    names = got.track["keypoint"].to_numpy().tolist()
    assert names == [*BODY_KEYPOINTS, *CLUB_KEYPOINTS]
    assert got.track["position"].dims == ("time", "space", "keypoint")
    assert got.track["position_cov"].dims == ("time", "space", "space_other", "keypoint")
    xr.testing.assert_equal(
        got.track["position"].sel(keypoint=list(BODY_KEYPOINTS)), body["position"]
    )
    cov = got.track["position_cov"].sel(keypoint="clubhead").to_numpy()
    assert (np.linalg.eigvalsh(cov) > 0).all()


def test_a_mirrored_clip_gives_the_mirrored_angle(tracked):
    _, plain = tracked()
    _, mirrored = tracked(mirrored=True)
    total = plain.track["shaft_angle"].to_numpy() + mirrored.track["shaft_angle"].to_numpy()
    off = np.degrees(np.mod(total - np.pi + np.pi, 2 * np.pi) - np.pi)
    assert np.median(np.abs(off)) < 1.0
