"""The part of a measure's error that all swings of one camera set-up share."""

from __future__ import annotations

import math

import numpy as np

from lessonmark.errors import CannotMeasure
from lessonmark.measures.reading import SHAFT, Disturbance, Key, Reading

__all__ = ["systematic_parts", "systematic_se"]

# An unchecked camera on a stand or a bag, by eye; common practice, no source.
ROLL_SE_DEG = 2.0
YAW_SE_DEG = 5.0
# Of the nominal depth over the distance: builds, positions and focal lengths differ.
DEPTH_SHARE_SE = 0.4
# Where the network's landmark lies against the joint's centre, by definition and by clothes, and
# how that goes with the way the body is turned: root mean square of a coordinate, share of the
# torso's length, over rendered golfers (bench/README.md, measures). The second number is what is
# left where the track was corrected for it (`track.attrs["anatomy"]`).
LANDMARK_SE = {
    "shoulder": (0.13, 0.05),
    "hip": (0.12, 0.06),
    "elbow": (0.08, 0.05),
    "wrist": (0.08, 0.05),
    "knee": (0.08, 0.05),
    "ankle": (0.05, 0.03),
    "ear": (0.09, 0.05),
    "eye": (0.05, 0.04),
    "grip_mid": (0.05, 0.05),
    "grip_butt": (0.05, 0.05),
    "clubhead": (0.03, 0.03),
}
OTHER_SE = (0.10, 0.06)
# Share of a landmark's offset that goes with the joint from address to any other position; the
# rest depends on how the joint is turned then.
STAYS = 0.7


def systematic_se(reading: Reading, value: float, points: dict[Key, tuple[float, ...]]) -> float:
    """Add up the systematic standard errors of a reading, in its unit."""
    return math.sqrt(sum(part**2 for part in systematic_parts(reading, value, points).values()))


def systematic_parts(
    reading: Reading, value: float, points: dict[Key, tuple[float, ...]]
) -> dict[str, float]:
    """Size what each cause costs a reading, in its unit.

    Returns
    -------
    By cause: 'roll', 'off square', 'perspective', 'landmarks', 'scale'; empty for a time, which
    no camera set-up moves.
    """
    if not points:
        return {}
    camera, scale = reading.swing.camera, reading.swing.scale
    roll = camera.roll_se_deg if camera else ROLL_SE_DEG
    yaw_se = camera.yaw_se_deg if camera else YAW_SE_DEG
    yaw = math.hypot(camera.yaw_deg if camera and camera.yaw_deg else 0.0, yaw_se)
    parts = {
        "roll": _effect(reading, value, Disturbance(roll_deg=roll)),
        "off square": _effect(reading, value, Disturbance(yaw_deg=yaw)),
        "perspective": _effect(reading, value, Disturbance(depth_share=DEPTH_SHARE_SE)),
        "landmarks": math.sqrt(
            sum(_effect(reading, value, one) ** 2 for one in _landmarks(reading, points))
        ),
    }
    if scale is not None:
        parts["scale"] = _effect(reading, value, Disturbance(scale_share=scale.relative_se))
    return {cause: abs(size) for cause, size in parts.items()}


def _effect(reading: Reading, value: float, disturbance: Disturbance) -> float:
    try:
        return reading.difference(value, disturbance)
    except CannotMeasure:
        return 0.0  # pushed over the edge of what can be read: no size to add


def _landmarks(reading: Reading, points: dict[Key, tuple[float, ...]]) -> list[Disturbance]:
    torso = reading.torso_px
    corrected = 1 if reading.swing.track.attrs.get("anatomy") else 0
    found = []
    for name in sorted({key.name for key in points} - {SHAFT, "ball"}):
        joint = name.split("_", 1)[1] if name.startswith(("lead_", "trail_")) else name
        size = LANDMARK_SE.get(joint, OTHER_SE)[corrected] * torso
        for axis in np.eye(2):
            found.append(Disturbance(named={name: math.sqrt(STAYS) * size * axis}))
            for key in points:
                if key.name == name:
                    step = math.sqrt(1 - STAYS) * size * axis
                    found.append(Disturbance(points={key: step}))
    return found
