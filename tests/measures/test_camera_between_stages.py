"""Whether the camera stood still between the stages, from clips written here."""

from __future__ import annotations

import json
from dataclasses import replace

import av
import numpy as np
import pytest

from lessonmark.lessons.camera_between import camera_between
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.words import Stage, View


def write_clip(path, *, width, height, shift_px):
    """Write half a second of a speckled wall, as seen by a camera that stands `shift_px` aside."""
    coarse = np.random.default_rng(3).integers(0, 256, (height // 20, width // 20 + 20), np.uint8)
    wall = np.kron(coarse, np.ones((20, 20), np.uint8))[:height, shift_px : shift_px + width]
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=25)
        stream.width, stream.height = width, height
        stream.bit_rate = 20_000_000
        for _ in range(15):
            picture = av.VideoFrame.from_ndarray(np.dstack([wall] * 3), format="rgb24")
            container.mux(stream.encode(picture))
        container.mux(stream.encode())


@pytest.fixture
def lesson(filmed_swing, tmp_path):
    """A swing before and a swing after, their clips and tracks in a folder."""
    seen = filmed_swing(View.FACE_ON)
    track = seen.track.copy()
    track.attrs["schema_version"] = 1
    (tmp_path / "derived").mkdir()
    derived = Derived(tmp_path / "derived")
    clips = []
    for stage in (Stage.BEFORE, Stage.AFTER):
        derived.keep_track(str(stage), track)
        swing = SwingFinding(
            swing_id=f"{stage}.mp4#1",
            clip=f"{stage}.mp4",
            number=1,
            stage=stage,
            view=View.FACE_ON,
            positions=seen.positions,
            values={},
            refused={},
            toward=seen.toward,
            ball=None,
            span_s=(0.0, 0.5),
        )
        clips.append(
            ClipFinding(
                clip=swing.clip,
                sha256=str(stage),
                stage=stage,
                view=View.FACE_ON,
                fps_filmed=25.0,
                width=seen.width,
                height=seen.height,
                duration_s=0.6,
                swings=(swing,),
                track=str(stage),
                stature_cm=seen.stature_cm,
                handedness_seen=seen.handedness,
                scale=seen.scale,
                camera=seen.camera,
            )
        )
        write_clip(tmp_path / swing.clip, width=seen.width, height=seen.height, shift_px=0)
    return clips, tmp_path, derived


def look(lesson):
    clips, folder, derived = lesson
    return camera_between(View.FACE_ON, clips, folder=folder, derived=derived)


def kept(lesson):
    return [json.loads(path.read_text()) for path in lesson[1].glob("derived/camera-*.json")]


@pytest.mark.parametrize(("shift_px", "moved"), [(0, False), (40, True)])
def test_the_wall_behind_tells_whether_the_camera_was_moved(lesson, shift_px, moved):
    clips, folder, _ = lesson
    write_clip(
        folder / "after.mp4", width=clips[0].width, height=clips[0].height, shift_px=shift_px
    )
    assert look(lesson).moved is moved
    for clip in clips:
        (folder / clip.clip).unlink()
    assert look(lesson).moved is moved  # kept: the clips are not looked at twice


@pytest.mark.parametrize("gone", ["after.mp4", "before.mp4", "derived/after.nc"])
def test_what_cannot_be_read_is_compared_once_it_can(lesson, gone):
    file = lesson[1] / gone
    whole = file.read_bytes()
    file.unlink()
    without = look(lesson)
    assert without.moved
    assert "a clip cannot be read now" in without.note
    assert kept(lesson) == []
    file.write_bytes(whole)
    assert not look(lesson).moved
    assert kept(lesson) == ["still"]


def test_what_an_earlier_version_kept_of_an_unreadable_clip_is_looked_at_again(lesson):
    look(lesson)
    (file,) = lesson[1].glob("derived/camera-*.json")
    file.write_text(json.dumps("unknown"))
    assert not look(lesson).moved


def test_a_background_that_tells_nothing_is_an_answer_and_kept(lesson):
    clips, *rest = lesson
    clips[1] = replace(clips[1], clip="smaller.mp4")
    write_clip(lesson[1] / "smaller.mp4", width=200, height=400, shift_px=0)
    said = look((clips, *rest))
    assert said.moved
    assert "cannot be told from the background" in said.note
    assert kept(lesson) == ["untold"]
