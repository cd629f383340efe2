"""Two-camera measures among a lesson's: with a pair they stand there, without one they say why."""

from __future__ import annotations

import numpy as np
import pytest

from lessonmark.evidence.change import Verdict
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.lessons.judging import judge_clips, list_refusals
from lessonmark.lessons.lesson_file import FocusEntry
from lessonmark.lessons.paired_views import lend_positions
from lessonmark.measures.figure import Figure
from lessonmark.measures.registry import catalogue, entry
from lessonmark.words import Stage, View

SOLID = {e.id for e in catalogue() if e.needs_two_views}


@pytest.fixture(scope="module")
def lesson(filmed_swing, tmp_path_factory):
    """Three swings a stage, each from both sides, their tracks kept as an analysis keeps them."""
    folder = tmp_path_factory.mktemp("derived")
    derived = Derived(folder)
    clips = []
    for stage in (Stage.BEFORE, Stage.AFTER):
        for view in View:
            swing = filmed_swing(view)
            track = swing.track.copy()
            track.attrs["schema_version"] = 1
            for number in range(3):
                key = f"{stage}-{view}-{number}"
                derived.keep_track(key, track)
                one = SwingFinding(
                    swing_id=f"{key}#1",
                    clip=f"{key}.mp4",
                    number=1,
                    stage=stage,
                    view=view,
                    positions=swing.positions,
                    values={},
                    refused={},
                    toward=swing.toward,
                    ball=None,
                    span_s=(0.0, 2.0),
                )
                clips.append(
                    ClipFinding(
                        clip=one.clip,
                        sha256=key,
                        stage=stage,
                        view=view,
                        fps_filmed=100.0,
                        width=swing.width,
                        height=swing.height,
                        duration_s=2.0,
                        swings=(one,),
                        track=key,
                        stature_cm=swing.stature_cm,
                        handedness_seen=swing.handedness,
                        scale=swing.scale,
                        camera=swing.camera,
                    )
                )
    words = {clip.clip: clip.clip.replace(f"-{clip.view}", "") for clip in clips}
    return clips, words, folder, derived


def test_a_pair_gives_true_turn_with_its_error(lesson, filming):
    clips, words, folder, derived = lesson
    pair = [clip for clip in clips if clip.track.startswith("before") and clip.track.endswith("0")]
    done = lend_positions(pair, words, folder=folder, derived=derived)
    front = next(clip for clip in done if clip.view is View.FACE_ON).swings[0]
    side = next(clip for clip in done if clip.view is View.DOWN_THE_LINE).swings[0]
    got = front.values["shoulder_turn@P4"]
    true = entry("shoulder_turn").solid(Figure(points=filming.swing()["P4"]))
    assert abs(got.value - true) < 1.96 * got.total_se
    assert got.systematic > 0
    assert not any(key.partition("@")[0] in SOLID for key in side.values)  # once, not twice
    # Known already the second time, to the last digit.
    again = lend_positions(pair, words, folder=folder, derived=derived)
    assert again == done


def test_without_the_other_side_it_says_why_once(lesson):
    clips, words, folder, derived = lesson
    alone = [clip for clip in clips if clip.view is View.FACE_ON]
    done = lend_positions(alone, words, folder=folder, derived=derived)
    for clip in done:
        assert set(clip.swings[0].refused) >= SOLID
    refused = list_refusals(done)
    assert "from the other side" in refused["both views: true turn, tilt and bend"].reason
    assert not any("hip turn" in subject for subject in refused)


@pytest.mark.parametrize("gone", list(View))
def test_a_pair_whose_track_is_gone_says_so_until_it_is_back(lesson, tmp_path, gone):
    clips, words, _, derived = lesson
    pair = [clip for clip in clips if clip.track.startswith("after") and clip.track.endswith("1")]
    here = Derived(tmp_path)
    tracks = {clip.view: clip.track for clip in pair}
    for view, track in tracks.items():
        if view is not gone:
            here.keep_track(track, derived.track(track))

    def front():
        done = lend_positions(pair, words, folder=tmp_path, derived=here)
        return next(clip for clip in done if clip.view is View.FACE_ON).swings[0]

    without = front()
    assert set(without.refused) >= SOLID
    assert without.refused["shoulder_turn"].reason == (
        f"the {gone} clip's track is not there any more"
    )
    assert "measure that clip again" in without.refused["shoulder_turn"].do
    here.keep_track(tracks[gone], derived.track(tracks[gone]))
    assert "shoulder_turn@P4" in front().values


def test_the_sheets_rows_carry_it_marked_as_two_cameras(lesson):
    clips, words, folder, derived = lesson
    done = lend_positions(clips, words, folder=folder, derived=derived)
    focus = [FocusEntry(measure="true_side_bend@P7", smallest_worth=20.0)]
    judged = judge_clips(focus, done, camera_moved={})
    row = judged.focus[0]
    assert row.name == "true side bend (two cameras) at P7"
    assert row.view is View.FACE_ON
    assert [len(stage.values) for stage in row.stages] == [3, 3]
    assert np.isfinite([v.total_se for stage in row.stages for v in stage.values]).all()
    assert row.change.verdict in (Verdict.NOT_CHANGED, Verdict.NOT_SETTLED)
