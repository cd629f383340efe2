"""The scale from a stick of known length on the ground, clicked at both ends.

The level ground says how far away a point of it lies, in camera heights. A stick of so many
centimetres says how many those are, and so how far away the golfer's feet stand, and how large a
centimetre is at the hips. That holds wherever the stick lies on the ground: nearer than the player
or not, and a little askew.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.depth import nearer
from lessonmark.measures.feet import FEET, FOOT_HEIGHT_CM, FOOT_SE, feet_at_address
from lessonmark.measures.ground import GroundSeen, ground_seen
from lessonmark.measures.scale import DEPTH_SHARE_SE, STATURE_CM
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import SwingSeen
from lessonmark.measures.stick import CLICK_SE_PX, LEAST_PX, Stick
from lessonmark.words import Position

__all__ = ["scale_from_stick"]

Vector = npt.NDArray[np.float64]

LENGTH_SE_CM = 0.5  # as people read it off a tape; common practice, no source
FOOT_HEIGHT_SE_CM = 1.5  # shoes and people differ; common practice, no source
WORST_SHARE_SE = 0.15  # a stick that says less than this says less than an ordinary stature


def scale_from_stick(
    swing: SwingSeen, stick: Stick, length_cm: float, *, camera: CameraCheck
) -> Scale:
    """Find the scale at the golfer's hips from a stick of known length on the ground.

    Parameters
    ----------
    swing : the swing that it lies in the picture of; its own camera and scale are not looked at.
    stick : its two ends as clicked, in either order, px.
    length_cm : from end to end, > 0.
    camera : how the camera was held: its roll and, where a level edge showed it, its pitch.

    Raises
    ------
    CannotMeasure : the ends are too close together or not on the ground, the feet are not in
        sight, or the stick is seen too nearly end on.

    References
    ----------
    Error propagation by one-at-a-time changes: JCGM 100:2008 (GUM), 5.1.3 note 2.
    """
    a, b = (np.asarray(end, dtype=float) - swing.centre for end in stick)
    if float(np.hypot(*(a - b))) < LEAST_PX or not length_cm > 0:
        raise CannotMeasure(
            say("the reference is too short on the picture"),
            do=say("click the two ends of something longer, an alignment stick or a club"),
        )
    address = swing.positions.found.get(Position.P1)
    found = feet_at_address(swing, address.time.s) if address is not None else None
    if found is None:
        raise CannotMeasure(
            say("the feet are not in sight at address"),
            do=say("film the whole player, feet included"),
        )
    lead, trail, hips, torso_px = found
    stature = swing.stature_cm or STATURE_CM
    near = stature * float(
        np.mean(
            [
                nearer(f"{side}_{part}", Position.P1, swing.view)
                for side in ("lead", "trail")
                for part in FEET
            ]
        )
    )
    seen = _ground(swing, camera)
    feet = (lead + trail) / 2

    def look(
        ground: GroundSeen,
        ends: tuple[Vector, Vector],
        *,
        feet_px: Vector = feet,
        cm: float = length_cm,
        behind_cm: float = near,
        foot_cm: float = FOOT_HEIGHT_CM,
    ) -> float:
        one, other = ground.place(ends[0]), ground.place(ends[1])
        stand = ground.place(feet_px)
        if one is None or other is None or stand is None:
            raise CannotMeasure(
                say("the stick does not lie on the ground that the camera sees"),
                do=say("click the ends of a stick that lies on the ground, below the horizon"),
            )
        height_cm = cm / float(np.hypot(*(one - other)))
        ahead_cm = float(stand[1]) * (height_cm - foot_cm) + behind_cm
        # How large a centimetre is depends on the depth along the lens's axis, not on the ground's.
        return float(ground.ray(hips)[1]) / ahead_cm

    px_per_cm = look(seen, (a, b))
    parts = [look(ground, (a, b)) - px_per_cm for ground in seen.disturbed()]
    for step in CLICK_SE_PX * np.eye(2):
        parts += [look(seen, ends) - px_per_cm for ends in ((a + step, b), (a, b + step))]
    foot_px = FOOT_SE[swing.view] * torso_px / math.sqrt(2)
    for step in foot_px * np.eye(2):
        parts.append(look(seen, (a, b), feet_px=feet + step) - px_per_cm)
    parts += [
        look(seen, (a, b), cm=length_cm + LENGTH_SE_CM) - px_per_cm,
        look(seen, (a, b), behind_cm=near + DEPTH_SHARE_SE * abs(near)) - px_per_cm,
        look(seen, (a, b), foot_cm=FOOT_HEIGHT_CM + FOOT_HEIGHT_SE_CM) - px_per_cm,
    ]
    se = math.sqrt(sum(part**2 for part in parts))
    if not (px_per_cm > 0 and se < WORST_SHARE_SE * px_per_cm):
        raise CannotMeasure(
            say("the stick is seen too nearly end on to give a scale"),
            do=say("click its ends on a face-on clip, or enter the player's height"),
        )
    return Scale(px_per_cm=px_per_cm, se_px_per_cm=se, sources=("reference",))


def _ground(swing: SwingSeen, camera: CameraCheck) -> GroundSeen:
    seen = ground_seen(swing, ground=None, roll_deg=camera.roll_deg, roll_se_deg=camera.roll_se_deg)
    if camera.pitch_deg is None:
        return seen
    return replace(
        seen, pitch_deg=camera.pitch_deg, pitch_se_deg=camera.pitch_se_deg, pitch_seen=True
    )
