"""The still scene, learnt under a mover, from a camera that stands or trembles."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from lessonmark.tracks.background import Window, learn_background, spread_samples


def scene(seed: int = 3) -> np.ndarray:
    random = np.random.default_rng(seed)
    texture = cv2.GaussianBlur(random.normal(0, 90, (300, 360)).astype(np.float32), (0, 0), 2.0)
    return (120 + 3 * texture).clip(0, 255).astype(np.uint8)


def with_mover(still: np.ndarray, x: int) -> np.ndarray:
    image = still.copy()
    image[100:220, x : x + 30] = 10
    return image


WINDOW = Window(x=40, y=60, width=240, height=200)
GOLFER = (60.0, 90.0, 300.0, 230.0)


def test_the_median_is_the_scene_without_the_mover():
    still = scene()
    images = [with_mover(still, 60 + 12 * k) for k in range(15)]
    learnt = learn_background(images, window=WINDOW, golfer=GOLFER)
    assert learnt.registration is None
    np.testing.assert_allclose(learnt.median, WINDOW.cut(still), atol=0.5)


def test_where_something_stands_often_is_marked():
    still = scene()
    images = [with_mover(still, 60 + 2 * k) for k in range(15)]
    learnt = learn_background(images, window=WINDOW, golfer=GOLFER)
    marked = learnt.unsteady > 0
    assert marked[60:140, 30:60].mean() > 0.8
    assert marked[:, 150:].mean() == 0.0


@pytest.mark.parametrize("shift", [(2.3, -1.6), (-3.0, 4.0)], ids=str)
def test_a_moved_camera_is_registered(shift):
    still = scene()
    moved = np.array([[1, 0, shift[0]], [0, 1, shift[1]]], float)
    images = [still, still, cv2.warpAffine(still, moved, (360, 300), borderMode=cv2.BORDER_REFLECT)]
    learnt = learn_background(images, window=WINDOW, golfer=GOLFER)
    assert learnt.registration is not None
    cut, motion = learnt.align(images[2])
    np.testing.assert_allclose(motion, moved, atol=0.05)
    inner = np.s_[10:-10, 10:-10]
    assert np.abs(cut[inner].astype(float) - WINDOW.cut(still)[inner]).mean() < 3.0


def test_window_points_go_out_and_in_again():
    window = Window(x=13, y=7, width=101, height=99, shrink=3)
    points = np.array([[20.0, 30.0], [55.5, 8.25]])
    np.testing.assert_allclose(window.outside(window.inside(points)), points)


def test_a_shrunk_cut_is_the_mean_of_its_pixels():
    image = scene()
    window = Window(x=10, y=20, width=120, height=90, shrink=3)
    corner, part = window.cut_around(image, np.array([20.0, 15.0]), 6.0)
    x, y = 10 + 3 * corner[0], 20 + 3 * corner[1]
    assert part[0, 0] == pytest.approx(image[y : y + 3, x : x + 3].mean(), abs=0.6)
    height, width = part.shape
    whole = window.cut(image)
    np.testing.assert_array_equal(
        part, whole[corner[1] : corner[1] + height, corner[0] : corner[0] + width]
    )


def test_standing_still_is_sampled_little():
    still = np.tile([100.0, 100.0], (300, 1))
    swing = 100.0 + np.stack([np.linspace(0, 400, 60), np.zeros(60)], axis=1)
    chosen = spread_samples(np.concatenate([still, swing]), 30)
    assert sum(index < 300 for index in chosen) <= 6
    assert len(chosen) <= 30


def test_two_frames_are_no_background():
    with pytest.raises(ValueError, match="at least 3"):
        learn_background([scene(), scene()], window=WINDOW, golfer=GOLFER)
