"""Sound keeps the clip's clock, whatever the container does to it."""

from __future__ import annotations

import numpy as np
import pytest
from tests.media.conftest import click, trim_by_edit_list

from lessonmark.media import find_strikes, probe_clip, read_sound

CODEC_S = 0.0005  # what AAC's own smear may do to a click's first sample


def heard_at(clip) -> float:
    sound = read_sound(clip)
    strikes = find_strikes(sound)
    assert len(strikes) == 1
    return strikes[0].s


def test_a_clip_without_sound_has_none(make_clip):
    assert read_sound(probe_clip(make_clip())) is None


def test_sound_is_one_channel_of_floats_on_the_clips_clock(make_clip):
    clip = probe_clip(make_clip(frames=30, sound=click(48000, 1.0, 0.4)))
    sound = read_sound(clip)
    assert clip.has_sound
    assert (sound.samples.dtype, sound.samples.ndim, sound.rate_hz) == (np.float32, 1, 48000)
    assert sound.start_s == pytest.approx(0, abs=1e-6)
    assert sound.stop_s == pytest.approx(1.0, abs=0.03)  # AAC comes in blocks of 21 ms


def test_an_encoders_run_in_does_not_shift_the_sound(make_clip):
    assert heard_at(
        probe_clip(make_clip(frames=30, sound=click(48000, 1.0, 0.4)))
    ) == pytest.approx(0.4, abs=CODEC_S)


@pytest.mark.parametrize("name", ["clip.mp4", "clip.mkv"])
@pytest.mark.parametrize("late_s", [0.1, 0.3125])
def test_sound_that_starts_late_is_heard_late(make_clip, name, late_s):
    path = make_clip(name, frames=40, sound=click(48000, 1.0, 0.4), sound_start_s=late_s)
    # Both containers keep a late start in whole ms; Matroska adds the run-in's rounding.
    slack = 0.001 + CODEC_S
    assert heard_at(probe_clip(path)) == pytest.approx(0.4 + late_s, abs=slack)


def test_trimming_the_picture_moves_the_sound_with_neither(make_clip):
    """An edit list on the picture alone: picture 6 is now at 0, the sound stays where it was."""
    path = make_clip(frames=30, sound=click(48000, 1.0, 0.4))
    trim_by_edit_list(path, skip_s=6 / 30)
    assert heard_at(probe_clip(path)) == pytest.approx(0.4, abs=CODEC_S)


def test_a_late_picture_leaves_the_sound_in_place(make_clip):
    path = make_clip(times_s=0.25 + np.arange(30) / 30, sound=click(48000, 1.0, 0.4))
    assert heard_at(probe_clip(path)) == pytest.approx(0.4, abs=CODEC_S)


def test_slowed_sound_is_brought_back_to_real_seconds(make_clip):
    """240 frames a second played at 30: a click at 0.8 s of the file was at 0.1 s."""
    path = make_clip(frames=48, fps=30, sound=click(48000, 1.6, 0.8))
    sound = read_sound(probe_clip(path, fps_declared=240))
    assert sound.rate_hz == pytest.approx(8 * 48000)
    strike = find_strikes(sound)[0]
    assert strike.s == pytest.approx(0.1, abs=CODEC_S)
    assert strike.se_s > 0.001  # whoever stretched the sound smeared it


def test_muted_sound_has_no_strikes(make_clip):
    sound = read_sound(probe_clip(make_clip(frames=30, sound=np.zeros(48000, np.float32))))
    assert sound is not None
    assert find_strikes(sound) == ()


def test_sound_of_a_file_cut_in_the_middle_ends_where_it_does(make_clip):
    path = make_clip(
        frames=60,
        size=(320, 240),
        sound=click(48000, 2.0, 0.4),
        container_options={"movflags": "faststart"},
    )
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 3 // 4])
    sound = read_sound(probe_clip(path))
    assert sound is None or sound.stop_s < 2.0
