"""True turn, tilt and bend of the swings that both views show, among their other measures.

They stand with the face-on swing of a pair. A swing that only one camera saw has them refused,
with what to do.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from lessonmark.language import say
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.lessons.swing_source import SwingSource, rebuilt_swing
from lessonmark.measures.measured import Measured, Refused
from lessonmark.measures.registry import catalogue
from lessonmark.measures.seen import SwingSeen
from lessonmark.measures.two_view import measure_pair
from lessonmark.words import View

__all__ = ["add_two_cameras"]

Pair = tuple[SwingFinding, SwingFinding]


def add_two_cameras(
    clips: Sequence[ClipFinding],
    pairs: Sequence[Pair],
    *,
    folder: Path,
    derived: Derived,
    club_cm: float | None,
) -> list[ClipFinding]:
    """Measure each pair in space.

    Parameters
    ----------
    clips : the lesson's clips, positions lent already.
    pairs : face-on and down-the-line swing of one stroke; found again here by their ids.
    club_cm : the club's length; None: not known.

    Returns
    -------
    The clips in their order, two-camera measures and refusals with the face-on swings.
    """
    fellow = {front.swing_id: side.swing_id for front, side in pairs}
    where = {swing.swing_id: (clip, swing) for clip in clips for swing in clip.swings}
    done = []
    for clip in clips:
        if clip.view is not View.FACE_ON:
            done.append(clip)
            continue
        sides = {
            swing.swing_id: where[fellow[swing.swing_id]]
            for swing in clip.swings
            if fellow.get(swing.swing_id) in where
        }
        done.append(_with_space(clip, sides, folder=folder, derived=derived, club_cm=club_cm))
    return done


def _with_space(
    clip: ClipFinding,
    sides: Mapping[str, tuple[ClipFinding, SwingFinding]],
    *,
    folder: Path,
    derived: Derived,
    club_cm: float | None,
) -> ClipFinding:
    if not sides:
        alone = tuple(_added(swing, {}, _no_pair()) for swing in clip.swings)
        return replace(clip, swings=alone)
    made_from = [
        clip.track,
        str(club_cm),
        *(repr(swing.positions) for swing in clip.swings),
        *(f"{key} {side.track} {swing.positions!r}" for key, (side, swing) in sides.items()),
    ]
    key = f"space-{hashlib.sha256(' '.join(made_from).encode()).hexdigest()[:32]}"
    known = derived.finding(key)
    if known is not None:
        found = {swing.swing_id: swing for swing in known.swings}
    else:
        found, whole = {}, True
        for swing in clip.swings:
            if swing.swing_id not in sides:
                continue
            front = _seen(clip, swing, folder=folder, derived=derived)
            side = _seen(*sides[swing.swing_id], folder=folder, derived=derived)
            if front is None or side is None:
                whole = False
                gone = clip if front is None else sides[swing.swing_id][0]
                found[swing.swing_id] = replace(swing, values={}, refused=_track_gone(gone))
                continue
            values, refused = measure_pair(front, side, club_cm=club_cm)
            found[swing.swing_id] = replace(swing, values=values, refused=refused)
        if whole:  # a track that is gone may be back the next time
            derived.keep_finding(key, replace(clip, swings=tuple(found.values())))
    return replace(
        clip,
        swings=tuple(
            _added(swing, found[swing.swing_id].values, found[swing.swing_id].refused)
            if swing.swing_id in found
            else _added(swing, {}, _no_pair())
            for swing in clip.swings
        ),
    )


def _seen(
    clip: ClipFinding, swing: SwingFinding, *, folder: Path, derived: Derived
) -> SwingSeen | None:
    track = derived.track(clip.track)
    if track is None:
        return None
    return rebuilt_swing(SwingSource(folder=folder, clip=clip, swing=swing, track=track))


def _added(
    swing: SwingFinding, values: Mapping[str, Measured], refused: Mapping[str, Refused]
) -> SwingFinding:
    return replace(swing, values={**swing.values, **values}, refused={**swing.refused, **refused})


def _track_gone(clip: ClipFinding) -> dict[str, Refused]:
    why = Refused(
        reason=say("the {view} clip's track is not there any more", view=say(clip.view)),
        do=say("measure that clip again; the clip itself is kept"),
    )
    return {entry.id: why for entry in catalogue() if entry.needs_two_views}


def _no_pair() -> dict[str, Refused]:
    why = Refused(
        reason=say("no clip shows this swing from the other side as well"),
        do=say(
            "film the same swing face-on and down-the-line at once, and give both clips the same "
            "'same_swing' in lesson.toml"
        ),
    )
    return {entry.id: why for entry in catalogue() if entry.needs_two_views}
