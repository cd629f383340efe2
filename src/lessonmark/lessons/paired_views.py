"""Bring the two views of one swing together.

The front view lends the side view the positions that it sees better, and what only both together
can show, true turn, tilt and bend, is measured.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.lessons.swing_source import SwingSource, rebuilt_swing
from lessonmark.lessons.two_cameras import add_two_cameras
from lessonmark.measures.measuring import measure_swing
from lessonmark.positions.pairing import SwingSeen as SwingTimes
from lessonmark.positions.pairing import lend, pair_swings
from lessonmark.positions.times import SwingPositions
from lessonmark.words import Position, Stage, View

__all__ = ["lend_positions"]


def lend_positions(
    clips: Sequence[ClipFinding],
    same_swing: Mapping[str, str],
    *,
    folder: Path,
    derived: Derived,
    club_cm: float | None = None,
) -> list[ClipFinding]:
    """Pair the two views' swings: lend positions, then measure each pair in space.

    Parameters
    ----------
    clips : the lesson's clips.
    same_swing : by clip, the word that lesson.toml gives both views of a swing; '' where none.
    club_cm : the club's length, for the measures in space; None: not known.

    Returns
    -------
    The clips in their order; a down-the-line clip without a partner comes back as it was. The
    two-camera measures, or why there are none, are with the face-on swings.
    """
    lent: dict[str, SwingPositions] = {}
    pairs: list[tuple[SwingFinding, SwingFinding]] = []
    for stage in Stage:
        front, side = (
            [
                swing
                for clip in clips
                if clip.view is view and clip.stage is stage
                for swing in clip.swings
            ]
            for view in (View.FACE_ON, View.DOWN_THE_LINE)
        )
        for one, other in _pairs(front, side, same_swing):
            pairs.append((one, other))
            positions = lend(one.positions, other.positions)
            if positions != other.positions:
                lent[other.swing_id] = positions
    together = [
        _measured_again(clip, lent, folder=folder, derived=derived)
        if any(swing.swing_id in lent for swing in clip.swings)
        else clip
        for clip in clips
    ]
    return add_two_cameras(together, pairs, folder=folder, derived=derived, club_cm=club_cm)


def _pairs(
    front: Sequence[SwingFinding], side: Sequence[SwingFinding], same_swing: Mapping[str, str]
) -> list[tuple[SwingFinding, SwingFinding]]:
    """Believe lesson.toml where it says which clips are one swing; pair the rest by their times."""
    told = [
        (one, other)
        for one in front
        for other in side
        if same_swing.get(one.clip)
        and same_swing[one.clip] == same_swing.get(other.clip)
        and one.number == other.number
        and Position.P7 in one.positions
        and Position.P7 in other.positions
    ]
    taken = {swing.swing_id for pair in told for swing in pair}
    front = [swing for swing in front if swing.swing_id not in taken]
    side = [swing for swing in side if swing.swing_id not in taken]
    guessed = pair_swings(
        [SwingTimes(positions=swing.positions) for swing in front],
        [SwingTimes(positions=swing.positions) for swing in side],
    )
    return told + [(front[pair.front], side[pair.side]) for pair in guessed]


def _measured_again(
    clip: ClipFinding, lent: Mapping[str, SwingPositions], *, folder: Path, derived: Derived
) -> ClipFinding:
    wanted = repr([lent.get(swing.swing_id) for swing in clip.swings])
    key = f"paired-{hashlib.sha256((clip.track + wanted).encode()).hexdigest()[:32]}"
    known = derived.finding(key)
    if known is not None:
        return known
    track = derived.track(clip.track)
    if track is None:
        return clip
    swings = []
    for swing in clip.swings:
        positions = lent.get(swing.swing_id)
        if positions is None:
            swings.append(swing)
            continue
        source = SwingSource(folder=folder, clip=clip, swing=swing, track=track)
        values, refused = measure_swing(rebuilt_swing(source, positions))
        swings.append(replace(swing, positions=positions, values=values, refused=refused))
    again = replace(clip, swings=tuple(swings))
    derived.keep_finding(key, again)
    return again
