"""False changes where there is none: ten swings of one motion, split in every way.

    make bench-same ARGS=CLIPS/bench/same-10-face-on

Every one of the 126 ways to call five of the ten swings 'before' and five 'after' is judged, each
measure alone and three measures of a lesson together, as `lessonmark analyse` would.
"""

from __future__ import annotations

import itertools
import json
import sys
import tempfile
from pathlib import Path

import numpy as np

from lessonmark.evidence.change import Verdict
from lessonmark.evidence.compare import adjust_focus, compare
from lessonmark.lessons.clip_pool import analyse_clips
from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.lessons.findings import ClipFinding
from lessonmark.measures.registry import catalogue
from lessonmark.words import Handedness, Stage, View

FOCUS = ("side_bend@P6", "pelvis_shift@P6", "hinge@P6")
WORTH = {"deg": 4.0, "cm": 2.0}


def main() -> None:
    """Measure the ten swings and judge every split."""
    folder = Path(sys.argv[1])
    truth = json.loads((folder / "clip_00.json").read_text())
    settings = [
        ClipSettings(
            clip=path.name,
            view=View.FACE_ON,
            stage=Stage.BEFORE,
            handedness=Handedness.LEFT if truth["left_handed"] else Handedness.RIGHT,
            mirrored=False,
            fps_declared=None,
            stature_cm=100 * truth["meta"]["golfer"]["stature"],
            club_length_cm=100 * truth["club_len"],
            air_temperature_c=15.0,
            heavy=False,
        )
        for path in sorted(folder.glob("*.mp4"))
    ]
    with tempfile.TemporaryDirectory() as scratch:
        clips = [
            clip
            for clip in analyse_clips(folder, settings, derived=Path(scratch))
            if isinstance(clip, ClipFinding)
        ]
    swings = [swing for clip in clips for swing in clip.swings]
    print(f"{len(swings)} swings of {len(settings)} clips\n")
    splits = [
        split
        for split in itertools.combinations(range(len(swings)), len(swings) // 2)
        if 0 in split
    ]
    units = {entry.id: entry.unit for entry in catalogue()}
    keys = [key for key in swings[0].values if all(key in swing.values for swing in swings)]
    print("| measure | called changed, of 126 splits |")
    print("| --- | --- |")
    shares = []
    for key in sorted(keys):
        unit = units[key.split("@")[0]]
        called = np.mean([judge([key], split, swings, unit)[0] for split in splits])
        shares.append(called)
        if called > 0.05:
            print(f"| {key} | {100 * called:.0f} % |")
    print(f"\nall {len(keys)} measures, each alone: {100 * np.mean(shares):.1f} % called changed")
    wrong = np.mean([any(judge(FOCUS, split, swings, "deg")) for split in splits])
    print(f"lessons with the focus {', '.join(FOCUS)}: {100 * wrong:.1f} % with a false 'changed'")


def judge(keys, split, swings, unit) -> list[bool]:
    """Tell for each key whether this split is called changed."""
    changes = [
        compare(
            [swing.values[key] for i, swing in enumerate(swings) if i in split],
            [swing.values[key] for i, swing in enumerate(swings) if i not in split],
            smallest_worth=WORTH.get(unit, 1.0),
            direction="",
            camera_moved=False,
        )
        for key in keys
    ]
    return [change.verdict is Verdict.CHANGED for change in adjust_focus(changes)]


if __name__ == "__main__":
    main()
