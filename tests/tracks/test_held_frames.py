"""Frames around impact come from one decoding, all others are read as before."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from lessonmark.media.clip import Frame
from lessonmark.tracks import held_frames
from lessonmark.tracks.held_frames import HeldFrames


class Clip:
    def __init__(self) -> None:
        self.read = 0

    def between(self, start_s: float, stop_s: float) -> Iterator[Frame]:
        for index in range(300):
            if start_s <= index / 100 <= stop_s:
                self.read += 1
                image = np.full((4, 5), index % 256, np.uint8)
                yield Frame(index=index, s=index / 100, image=image)


def indices(frames: Iterator[Frame]) -> list[int]:
    return [frame.index for frame in frames]


def test_what_lies_around_impact_is_decoded_once():
    clip = Clip()
    held = HeldFrames(clip.between, [1.5])
    assert indices(held.between(0.2, 2.8)) == list(range(20, 281))
    assert indices(held.between(1.05, 2.1)) == list(range(105, 211))
    assert clip.read == 261


def test_what_reaches_beyond_is_read_again_whole():
    clip = Clip()
    held = HeldFrames(clip.between, [1.5])
    list(held.between(0.2, 1.9))
    assert indices(held.between(1.0, 2.1)) == list(range(100, 211))
    assert clip.read == 171 + 111


def test_a_reading_that_was_broken_off_is_not_taken_for_whole():
    clip = Clip()
    held = HeldFrames(clip.between, [1.5])
    for frame in held.between(0.2, 2.8):
        if frame.s > 1.6:
            break
    assert indices(held.between(1.05, 2.1)) == list(range(105, 211))


def test_too_much_is_not_held(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(held_frames, "HELD_BYTES", 400)
    clip = Clip()
    held = HeldFrames(clip.between, [1.5])
    list(held.between(0.2, 2.8))
    assert indices(held.between(1.05, 2.1)) == list(range(105, 211))
    assert clip.read == 261 + 106
