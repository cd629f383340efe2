"""How often the club is looked for, and where a moved camera's frame is sampled."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lessonmark.media.clip import Frame
from lessonmark.tracks.background import SMALL_PX, Registration, Window, small_picture
from lessonmark.tracks.club_line import Contrast, fit_line
from lessonmark.tracks.club_looks import LONGEST_S, Looks, choose_looks

LENGTH = 250.0  # px


def still_then_fast(fps: float) -> tuple[np.ndarray, np.ndarray]:
    times = np.arange(int(2 * fps)) / fps
    speed = np.where((times > 1.0) & (times < 1.2), 7.0 * LENGTH, 0.0)
    return times, np.stack([speed, np.zeros_like(speed)], axis=1)


@pytest.mark.parametrize("fps", [60.0, 120.0, 240.0])
def test_a_resting_club_is_looked_at_thirty_times_a_second_and_a_fast_one_always(fps):
    times, velocity = still_then_fast(fps)
    rows = np.array(choose_looks(times, velocity, LENGTH))
    rest = rows[times[rows] < 0.8]
    assert np.diff(times[rest]).max() <= LONGEST_S + 1e-9
    assert len(rest) <= 0.8 / LONGEST_S + 2
    # 7 club lengths a second may turn a club by 56 rad/s: 12 degrees are 3.7 ms.
    fast = (times > 1.0) & (times < 1.2)
    assert np.isin(np.flatnonzero(fast), rows).all()


def test_the_first_and_the_last_frame_are_looked_at():
    times, velocity = still_then_fast(120.0)
    rows = choose_looks(times, velocity, LENGTH)
    assert rows[0] == 0
    assert rows[-1] == len(times) - 1


def scene(size: tuple[int, int]) -> np.ndarray:
    noise = np.random.default_rng(3).normal(0, 90, size).astype(np.float32)
    return (120 + 4 * cv2.GaussianBlur(noise, (0, 0), 3.0)).clip(0, 255).astype(np.uint8)


def test_a_large_picture_is_registered_on_a_small_one():
    still = scene((2 * SMALL_PX - 20, SMALL_PX + 60))
    turn = cv2.getRotationMatrix2D((200.0, 300.0), 0.4, 1.0)
    turn[:, 2] += [5.0, -3.5]
    moved = cv2.warpAffine(still, turn, still.shape[::-1], borderMode=cv2.BORDER_REFLECT)
    assert max(small_picture(still).shape) <= SMALL_PX
    found = Registration(still, (300.0, 500.0, 400.0, 700.0)).motion(moved)
    corners = np.array([[50, 50, 1], [600, 50, 1], [600, 1200, 1], [50, 1200, 1]], float)
    assert np.abs(corners @ (found - turn).T).max() < 0.3  # px


def looks_of(images: list[np.ndarray]) -> Looks:
    times = np.arange(len(images)) / 120.0

    def source(start_s: float, stop_s: float):
        for index, image in enumerate(images):
            if start_s - 1e-6 <= index / 120.0 <= stop_s + 1e-6:
                yield Frame(index=index, s=index / 120.0, image=image)

    return Looks(
        source,
        times,
        list(range(0, len(images), 2)),
        hands=np.tile([150.0, 120.0], (len(images), 1)),
        window=Window(x=20, y=10, width=260, height=240),
        reach=90.0,
        golfer=(140.0, 110.0, 160.0, 130.0),
    )


@pytest.mark.parametrize("held_bytes", [1e9, 1e5], ids=["held", "read twice"])
def test_each_look_is_given_once_in_the_order_of_time(monkeypatch, held_bytes):
    monkeypatch.setattr("lessonmark.tracks.club_looks.HELD_BYTES", held_bytes)
    looks = list(looks_of([scene((300, 320))] * 12))
    assert [look.row for look in looks] == [0, 2, 4, 6, 8, 10]
    assert all(look.motion is None for look in looks)


def test_a_moved_frame_against_the_still_scene_leaves_nothing():
    still = scene((300, 320))
    images = [
        cv2.warpAffine(still, np.float32([[1, 0, k % 5], [0, 1, -k % 3]]), (320, 300), borderMode=4)
        for k in range(12)
    ]
    looks = looks_of(images)
    look = list(looks)[3]
    assert look.motion is not None
    np.testing.assert_allclose(look.motion[:, 2], [6 % 5, -6 % 3], atol=0.2)
    contrast = Contrast(
        image=look.image, background=looks.background, corner=look.corner, motion=look.motion
    )
    grid = np.meshgrid(np.arange(90, 180, 2.0), np.arange(70, 150, 2.0))
    difference, _ = contrast.sample(grid[0].astype(np.float32), grid[1].astype(np.float32))
    assert np.abs(difference).mean() < 1.0  # spreads of the background


def test_a_cap_beside_the_shaft_does_not_turn_the_line():
    """A head hides the shaft near the hands; its bright edge stands out more than the shaft."""
    ground = np.full((300, 320), 120, np.uint8)
    image = ground.astype(np.float32)
    angle = np.radians(8.0)
    start = np.array([30.0, 120.0])
    end = start + 240.0 * np.array([np.cos(angle), np.sin(angle)])
    layer = np.zeros(ground.shape, np.uint8)
    ends = [tuple(round(v * 16) for v in point - 0.5) for point in (start, end)]
    cv2.line(layer, ends[0], ends[1], 255, 2, cv2.LINE_AA, 4)
    image -= 40.0 * layer / 255
    cv2.ellipse(image, (85, 116), (38, 22), 0, 0, 360, 240.0, -1)  # the cap
    window = Window(x=0, y=0, width=320, height=300)
    looks = Looks(
        lambda a, b: [Frame(index=k, s=k / 120, image=ground) for k in range(4)],
        np.arange(4) / 120.0,
        [0],
        hands=np.tile(start, (4, 1)),
        window=window,
        reach=300.0,
        golfer=(0.0, 0.0, 10.0, 10.0),
    )
    contrast = Contrast(image=image.clip(0, 255).astype(np.uint8), background=looks.background)
    line = fit_line(
        contrast,
        start,
        angle=float(np.radians(9.0)),
        aside=0.0,
        fan=0.0,
        start=20.0,
        reach=235.0,
        filled=0.6,
        shown=(np.array([0.0, 300.0]), np.array([1.0, 1.0])),
        length=LENGTH,
    )
    assert line is not None
    assert np.degrees(line.angle) == pytest.approx(8.0, abs=0.25)
