"""The part of a measure's error that all swings of one camera set-up share."""

from __future__ import annotations

import math

import numpy as np

from lessonmark.errors import CannotMeasure
from lessonmark.measures.reading import SHAFT, Disturbance, Key, Reading

__all__ = ["systematic_se"]

# An unchecked camera on a stand or a bag, by eye; common practice, no source.
ROLL_SE_DEG = 2.0
YAW_SE_DEG = 5.0
DISTANCE_CM = 400.0
# Where the network's landmark lies against the joint's centre, by definition and by clothes: one
# standard error a coordinate, share of the torso's length.
LANDMARK_SE = {
    "shoulder": 0.05,
    "hip": 0.06,
    "elbow": 0.03,
    "wrist": 0.03,
    "knee": 0.04,
    "ankle": 0.03,
    "ear": 0.03,
    "eye": 0.02,
    "grip_mid": 0.03,
    "grip_butt": 0.04,
    "clubhead": 0.03,
}
# Share of a landmark's offset that goes with the joint from address to any other position; the
# rest depends on how the joint is turned then.
STAYS = 0.7


def systematic_se(reading: Reading, value: float, points: dict[Key, tuple[float, ...]]) -> float:
    """Add up the systematic standard errors of a reading, in its unit."""
    if not points:
        return 0.0  # a time: no camera set-up moves it
    camera, scale = reading.swing.camera, reading.swing.scale
    roll = camera.roll_se_deg if camera else ROLL_SE_DEG
    yaw_se = camera.yaw_se_deg if camera else YAW_SE_DEG
    yaw = math.hypot(camera.yaw_deg if camera and camera.yaw_deg else 0.0, yaw_se)
    distance = (camera.distance_cm if camera else None) or DISTANCE_CM
    if scale is None:
        distance *= 2.0  # in hundredths of a 50 cm torso
    disturbances = [
        Disturbance(roll_deg=roll),
        Disturbance(yaw_deg=yaw),
        Disturbance(perspective=1.0 / distance),
        *_landmarks(reading, points),
    ]
    if scale is not None:
        disturbances.append(Disturbance(scale_share=scale.relative_se))
    return math.sqrt(sum(_effect(reading, value, one) ** 2 for one in disturbances))


def _effect(reading: Reading, value: float, disturbance: Disturbance) -> float:
    try:
        return reading.difference(value, disturbance)
    except CannotMeasure:
        return 0.0  # pushed over the edge of what can be read: no size to add


def _landmarks(reading: Reading, points: dict[Key, tuple[float, ...]]) -> list[Disturbance]:
    torso = reading.torso_px
    found = []
    for name in sorted({key.name for key in points} - {SHAFT, "ball"}):
        joint = name.split("_", 1)[1] if name.startswith(("lead_", "trail_")) else name
        size = LANDMARK_SE.get(joint, 0.05) * torso
        for axis in np.eye(2):
            found.append(Disturbance(named={name: math.sqrt(STAYS) * size * axis}))
            for key in points:
                if key.name == name:
                    step = math.sqrt(1 - STAYS) * size * axis
                    found.append(Disturbance(points={key: step}))
    return found
