"""The part of a measure's error that all swings of one camera set-up share."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from lessonmark.errors import CannotMeasure
from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.depth import off_nominal
from lessonmark.measures.disturbance import SHAFT, Disturbance, Key
from lessonmark.measures.facing import landmark_factor
from lessonmark.measures.ground import FOCAL_SHARE_SE
from lessonmark.measures.posture import Vector
from lessonmark.measures.reading import Reading
from lessonmark.measures.seen import FOCAL_SHARE, SwingSeen
from lessonmark.measures.standing import UNSEEN_YAW_SE_DEG

__all__ = ["landmark_cov", "systematic_parts", "systematic_se"]

Matrix = npt.NDArray[np.float64]

# An unchecked camera on a stand or a bag, by eye; common practice, no source.
ROLL_SE_DEG = 2.0
PITCH_SE_DEG = 5.0
# How far the clubhead may lie off its nominal depth on its way to the ball, share of stature,
# against rendered swings (bench/README.md). At the positions `depth.py` says it, for every point.
CLUB_DEPTH_SE = 0.08
# Of the camera's distance, which perspective goes with: by the focal length, as the ground's; and
# of an unchecked camera, which is anywhere between three and six metres (common practice).
DISTANCE_SHARE_SE = FOCAL_SHARE_SE / FOCAL_SHARE
UNSEEN_DISTANCE_SHARE_SE = 0.25
# Where the network's landmark lies against the joint's centre, by definition and by clothes, and
# how that goes with the way the body is turned: root mean square of a coordinate, share of the
# torso's length, over rendered golfers (bench/README.md, measures). For tracks that were not
# brought to joint centres (`tracks/anatomy.py`), which say it themselves.
LANDMARK_SE = {
    "shoulder": 0.13,
    "hip": 0.12,
    "elbow": 0.08,
    "wrist": 0.08,
    "knee": 0.08,
    "ankle": 0.05,
    "ear": 0.09,
    "eye": 0.05,
}
# The same of the club's points, along the shaft and across it: the hands hide how much of the grip
# sticks out of them, and a smeared head ends somewhere; that they lie on the shaft is seen well.
CLUB_SE = {"grip_mid": (0.10, 0.02), "grip_butt": (0.10, 0.02), "clubhead": (0.10, 0.05)}
OTHER_SE = 0.10
# Where a step of one standard error goes over the edge of what can be read, a shorter one is taken
# and counted so much more; at the very edge one the other way.
SHORTER = (1.0, 0.5, 0.25)
# How the errors of the two sides' centres go together, across and up the picture: left over on
# rendered bodies that no fit has seen (bench/README.md, measures). The shoulders' is not carried:
# two families of rendered bodies disagree about it.
TOGETHER = {"hip": (0.0, 0.8), "ear": (0.4, 0.4)}
# Share of a landmark's offset that goes with the joint from address to any other position; the
# rest depends on how the joint is turned then.
STAYS = 0.5


def systematic_se(reading: Reading, value: float, points: dict[Key, tuple[float, ...]]) -> float:
    """Add up the systematic standard errors of a reading, in its unit."""
    return math.sqrt(sum(part**2 for part in systematic_parts(reading, value, points).values()))


def systematic_parts(
    reading: Reading, value: float, points: dict[Key, tuple[float, ...]]
) -> dict[str, float]:
    """Size what each cause costs a reading, in its unit.

    Returns
    -------
    By cause: 'roll', 'off square', 'pitch', 'perspective', 'depth', 'landmarks', 'scale'; empty
    for a time, which no camera set-up moves.
    """
    if not points:
        return {}
    camera, scale = reading.swing.camera, reading.swing.scale
    roll = camera.roll_se_deg if camera else ROLL_SE_DEG
    likely = _likely_off_square(camera)
    pitch = camera.pitch_se_deg if camera else PITCH_SE_DEG
    seen = camera is not None and camera.distance_cm is not None
    distance = DISTANCE_SHARE_SE if seen else UNSEEN_DISTANCE_SHARE_SE
    parts = {
        "roll": _effect(reading, value, Disturbance(roll_deg=roll)),
        # A line that is seen short grows or shrinks by the way it is turned: both are looked at.
        "off square": math.hypot(
            *(_effect(reading, value, Disturbance(yaw_deg=side * likely)) for side in (1.0, -1.0))
        )
        / math.sqrt(2.0),
        "pitch": _effect(reading, value, Disturbance(pitch_deg=pitch)),
        "perspective": _effect(reading, value, Disturbance(distance_share=distance)),
        "depth": _own_depth(reading, value, points, _off_square_for_depth(camera, likely)),
        "landmarks": math.sqrt(
            sum(_effect(reading, value, one) ** 2 for one in _landmarks(reading, points))
        ),
    }
    if scale is not None:
        parts["scale"] = _effect(reading, value, Disturbance(scale_share=scale.relative_se))
    return {cause: abs(size) for cause, size in parts.items()}


def _effect(reading: Reading, value: float, disturbance: Disturbance) -> float:
    for part in (*SHORTER, -1.0):
        try:
            return reading.difference(value, disturbance.times_share(part)) / part
        except CannotMeasure:  # pushed over the edge of what can be read
            continue
    return 0.0  # nothing to size it by


def _likely_off_square(camera: CameraCheck | None) -> float:
    """Root mean square of how far the camera stands off square, after what is taken out, deg.

    What a stick shows is taken out: its error is left. Of what the player shows nothing is taken
    out, so that it counts beside its own error (GUM, JCGM 100:2008, F.2.4.5). That a coach stands
    square by eye is not weighed against it: it would talk down just the cameras that are off.
    """
    if camera is None:
        return UNSEEN_YAW_SE_DEG
    if camera.yaw_deg is None or camera.yaw_known:
        return camera.yaw_se_deg
    return math.hypot(camera.yaw_deg, camera.yaw_se_deg)


def _off_square_for_depth(camera: CameraCheck | None, likely_deg: float) -> float:
    """Say how far off square to hold the camera, deg, when a point's own depth is tried.

    What was taken out was taken out by nominal depth, so that own depth counts in full: the part
    that is taken out already turns the other way.
    """
    if camera is None or camera.yaw_deg is None or not camera.yaw_known:
        return likely_deg
    return -math.copysign(camera.yaw_se_deg, camera.yaw_deg)


def _own_depth(
    reading: Reading, value: float, points: dict[Key, tuple[float, ...]], yaw_deg: float
) -> float:
    if reading.entry.is_span:
        # Between the positions nothing but the club goes far enough for its depth to matter.
        club = Key("clubhead", "")
        depths = {club: CLUB_DEPTH_SE}
        return _effect(reading, value, Disturbance(depths=depths)) if club in points else 0.0
    for part in SHORTER:
        try:
            return _depths_at(reading, value, points, part * yaw_deg) / part
        except CannotMeasure:
            continue
    return 0.0


def _depths_at(
    reading: Reading, value: float, points: dict[Key, tuple[float, ...]], yaw_deg: float
) -> float:
    base = reading.difference(value, Disturbance(yaw_deg=yaw_deg))
    squares = 0.0
    for name in sorted({key.name for key in points}):
        # A point's depth at address is the one it has later, or the difference counts; within the
        # hundredths of a second that a speed is taken over it is one and the same.
        keys = [key for key in points if key.name == name and key.instant != "start"]
        if not keys:
            continue
        at = reading.position or reading.placing.nearest(points[keys[0]][0])
        depth = off_nominal("clubhead" if name == SHAFT else name, at, reading.swing.view)
        own = Disturbance(yaw_deg=yaw_deg, depths=dict.fromkeys(keys, depth))
        squares += (reading.difference(value, own) - base) ** 2
    return math.sqrt(squares)


def landmark_cov(swing: SwingSeen, name: str, s: float, torso_px: float) -> Matrix:
    """Covariance (2, 2) px^2 of a landmark against the joint that it stands for."""
    known = swing.paths.systematic_at(name, s)
    if known is not None:
        return known * landmark_factor(swing.view, name, swing.phase(s))
    if name in CLUB_SE:
        return _club_cov(swing, name, s) * torso_px**2
    joint = name.split("_", 1)[1] if name.startswith(("lead_", "trail_")) else name
    return np.asarray((LANDMARK_SE.get(joint, OTHER_SE) * torso_px) ** 2 * np.eye(2))


def _club_cov(swing: SwingSeen, name: str, s: float) -> Matrix:
    along_se, across_se = CLUB_SE[name]
    try:
        angle, _ = swing.paths.shaft_at(s)
    except CannotMeasure:
        return np.asarray((along_se**2 + across_se**2) / 2 * np.eye(2))
    along = np.array([math.cos(angle), -math.sin(angle)])
    across = along[::-1] * np.array([-1.0, 1.0])
    return np.asarray(
        along_se**2 * np.outer(along, along) + across_se**2 * np.outer(across, across)
    )


def _landmark_cov(reading: Reading, name: str, s: float) -> Matrix:
    kept = reading.placing.landmark_covs
    if (name, s) not in kept:
        kept[name, s] = landmark_cov(reading.swing, name, s, reading.torso_px)
    return kept[name, s]


def _landmarks(reading: Reading, points: dict[Key, tuple[float, ...]]) -> list[Disturbance]:
    found = []
    names = {key.name for key in points} - {SHAFT, "ball"}
    if not reading.entry.is_span:
        for joint, correlation in TOGETHER.items():
            pair = (f"lead_{joint}", f"trail_{joint}")
            if names >= set(pair):
                found += _both_sides(reading, points, pair, correlation)
                names -= set(pair)
    for name in sorted(names):
        keys = [key for key in points if key.name == name]
        axes = {key: _axes(_landmark_cov(reading, name, points[key][0])) for key in keys}
        now = next((key for key in keys if key.instant == "now"), keys[0])
        for axis in axes[now]:
            found.append(Disturbance(named={name: math.sqrt(STAYS) * axis}))
        if reading.entry.is_span:
            # What goes with the body's turning drifts over the swing.
            for axis in axes[now]:
                found.append(Disturbance(drifts={name: math.sqrt(1 - STAYS) * axis}))
            continue
        # The joint is turned alike within the hundredths of a second that a speed is taken over.
        for together in _of_one_position(keys):
            for axis in axes[together[0]]:
                step = math.sqrt(1 - STAYS) * axis
                found.append(Disturbance(points=dict.fromkeys(together, step)))
    return found


def _of_one_position(keys: list[Key]) -> list[list[Key]]:
    """Gather what is read a moment apart: 'now' with 'now+0.010'; 'start' by itself."""
    starts = [key for key in keys if key.instant.startswith("start")]
    others = [key for key in keys if not key.instant.startswith("start")]
    return [keys for keys in (others, starts) if keys]


def _both_sides(
    reading: Reading,
    points: dict[Key, tuple[float, ...]],
    pair: tuple[str, str],
    correlations: tuple[float, float],
) -> list[Disturbance]:
    """Move a joint of both sides at once, along the axes of their errors taken together."""
    found = []
    instants = sorted({key.instant for key in points if key.name in pair})
    modes = {}
    for instant in instants:
        keys = [key for key in points if key.name in pair and key.instant == instant]
        if len(keys) < 2:  # one of them alone, as any other point
            modes[instant] = [
                {key: axis}
                for key in keys
                for axis in _axes(_landmark_cov(reading, key.name, points[key][0]))
            ]
            continue
        covs = [_landmark_cov(reading, key.name, points[key][0]) for key in keys]
        whole = np.zeros((4, 4))
        whole[:2, :2], whole[2:, 2:] = covs
        for axis, correlation in enumerate(correlations):
            shared = correlation * math.sqrt(covs[0][axis, axis] * covs[1][axis, axis])
            whole[axis, 2 + axis] = whole[2 + axis, axis] = shared
        modes[instant] = [{keys[0]: mode[:2], keys[1]: mode[2:]} for mode in _axes(whole)]
    now = "now" if "now" in modes else instants[0]
    for mode in modes[now]:
        stay = math.sqrt(STAYS)
        found.append(Disturbance(named={key.name: stay * step for key, step in mode.items()}))
    turn = math.sqrt(1 - STAYS)
    for instant in instants:
        for mode in modes[instant]:
            found.append(Disturbance(points={key: turn * step for key, step in mode.items()}))
    return found


def _axes(cov: Matrix) -> list[Vector]:
    sizes, directions = np.linalg.eigh((cov + cov.T) / 2)
    return [math.sqrt(max(size, 0.0)) * directions[:, i] for i, size in enumerate(sizes)]
