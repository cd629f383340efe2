"""Draw golf-like postures: ten keyed positions, blended, and widened on purpose.

The keyed figures are invented (common practice, no source): what matters for the fit is that the
postures cover what a lesson shows, not that any of them is a good swing.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Posture:
    """Degrees and metres (metres for a body of 1.75 m, scaled to the body)."""

    pelvis_turn: float  # + away from the target
    pelvis_bend: float
    pelvis_lean: float  # + top away from the target
    shoulder_turn: float
    forward_bend: float
    side_bend: float  # + to the trail side
    head_turn: float
    head_bend: float
    head_tilt: float
    hands_azimuth: float
    hands_elevation: float
    reach: float  # lead shoulder to lead wrist, share of the arm
    hands_apart: float
    shaft: tuple[float, float, float]
    lead_elbow: float  # round the line from shoulder to wrist, 0 = down and back
    trail_elbow: float
    finger_curl: float
    protraction: float
    elevation: float
    lead_girdle: float  # the shoulder's own, + forward
    trail_girdle: float
    lead_lift: float  # + up
    trail_lift: float
    girdle_share: float  # of a girdle's turn the collarbone makes, the rest comes farther out
    arm_twist: float  # share of the upper arm's twist that its skin follows at the shoulder
    spine_low: float  # how the trunk's bend is spread: under 1 low in the back, over 1 high
    neck_low: float
    palm_off_m: float  # how far a palm's middle stands off the grip
    lead_cock: float  # how far a hand follows the shaft rather than its forearm
    trail_cock: float
    stance: float
    lead_flare: float
    trail_flare: float
    heel_lift: float
    foot_spin: float
    pelvis_shift: float
    pelvis_back: float
    lead_knee: float
    trail_knee: float
    knee_in: float

    def numbers(self) -> Array:
        """Everything that varies through a swing, in one row."""
        return np.array([getattr(self, n) for n in _NUMBERS] + list(self.shaft))

    def from_numbers(self, row: Array) -> Posture:
        """The posture whose `numbers` are these; the shaft's direction made unit again."""
        shaft = row[-3:] / np.linalg.norm(row[-3:])
        values = {n: float(v) for n, v in zip(_NUMBERS, row, strict=False)}
        return replace(self, shaft=(float(shaft[0]), float(shaft[1]), float(shaft[2])), **values)

    def with_shaft(self, direction: Array) -> Posture:
        shaft = (float(direction[0]), float(direction[1]), float(direction[2]))
        return replace(self, shaft=shaft)


_NUMBERS = tuple(f.name for f in fields(Posture) if f.name != "shaft")


#        P1   P2   P3   P4   P5   P6   P7   P8   P9   P10
_KEYS = {
    "pelvis_turn": (0, 12, 28, 42, 18, -12, -32, -50, -70, -95),
    "pelvis_bend": (22, 22, 22, 21, 20, 18, 14, 9, 5, 0),
    "pelvis_lean": (0, 0, -2, -4, 0, 3, 5, 5, 4, 2),
    "shoulder_turn": (2, 28, 62, 92, 60, 22, -18, -50, -85, -120),
    "forward_bend": (36, 36, 36, 35, 36, 35, 32, 28, 20, 5),
    "side_bend": (5, 2, -3, -6, 4, 12, 18, 22, 18, 5),
    "head_turn": (0, 2, 8, 14, 8, 6, 8, -5, -35, -85),
    "head_bend": (45, 45, 44, 44, 45, 46, 46, 44, 30, 5),
    "head_tilt": (3, 2, 0, 0, 6, 10, 12, 16, 18, 6),
    "hands_azimuth": (-4, 14, 26, 34, 30, 20, 4, -12, -26, -38),
    "hands_elevation": (44, 52, 78, 112, 84, 58, 44, 54, 88, 118),
    "reach": (0.985, 0.99, 0.99, 0.975, 0.99, 0.992, 0.99, 0.96, 0.86, 0.62),
    "stance": (0.40,) * 10,
    "heel_lift": (0, 0, 0, 0, 3, 12, 25, 38, 52, 62),
    "foot_spin": (0, 0, 0, 0, 0, 2, 6, 12, 22, 32),
    "pelvis_shift": (0, -0.01, -0.02, -0.02, 0.03, 0.06, 0.09, 0.11, 0.12, 0.13),
    "pelvis_back": (0.11, 0.11, 0.11, 0.11, 0.11, 0.11, 0.11, 0.10, 0.06, 0.0),
    "lead_knee": (24, 28, 33, 35, 32, 26, 14, 8, 6, 8),
    "trail_knee": (24, 22, 18, 16, 24, 32, 36, 42, 50, 55),
    "knee_in": (0, 0, 0, 0, 0.1, 0.3, 0.6, 0.9, 1.2, 1.5),
}
_SHAFT = np.array(
    [
        (0.02, -0.62, -0.78),
        (-1.0, -0.05, 0.0),
        (-0.35, 0.25, 0.9),
        (0.9, 0.15, -0.15),
        (-0.1, 0.5, 0.86),
        (-1.0, 0.05, 0.05),
        (-0.08, -0.62, -0.78),
        (1.0, 0.0, 0.0),
        (0.3, 0.3, 0.9),
        (-0.5, 0.75, -0.2),
    ]
)
_PART = {
    "shoulder_turn": "trunk",
    "forward_bend": "trunk",
    "side_bend": "trunk",
    "head_turn": "trunk",
    "head_bend": "trunk",
    "head_tilt": "trunk",
    "hands_azimuth": "arms",
    "hands_elevation": "arms",
    "reach": "arms",
}
# Standard deviations: of a body's own style, and of one frame on top of it.
_STYLE = {
    "pelvis_turn": 7.0,
    "pelvis_bend": 8.0,
    "pelvis_lean": 3.0,
    "shoulder_turn": 10.0,
    "forward_bend": 6.0,
    "side_bend": 6.0,
    "head_turn": 8.0,
    "head_bend": 8.0,
    "head_tilt": 5.0,
    "hands_azimuth": 6.0,
    "hands_elevation": 8.0,
    "reach": 0.012,
    "stance": 0.07,
    "heel_lift": 8.0,
    "foot_spin": 6.0,
    "pelvis_shift": 0.03,
    "pelvis_back": 0.025,
    "lead_knee": 7.0,
    "trail_knee": 7.0,
    "knee_in": 0.2,
}
FRAME_SHARE = 0.8  # of the style's spread, again for each frame
# Of the postures so many have the lead arm bent more than the swing's place asks for, by a share of
# its length: a bent arm must be seen, not known from how far the swing has got.
BENT_SHARE, BENT_MORE = 0.4, 0.12
# Legs and pelvis, trunk and arms each run early or late by so many phases; in a share of the
# postures by much more, as in no golf swing: what is seen shall not be known from how far it got.
OUT_OF_STEP, FAR_OUT, FAR_OUT_SHARE = 0.35, 1.8, 0.3
# deg: how far an elbow swings round the line from shoulder to wrist. Wide, so that no fit can
# learn where an elbow ought to be instead of where it is.
ELBOW_HABIT_DEG, ELBOW_FRAME_DEG = 30.0, 30.0
# deg: a shoulder's own way on top of what follows from its arm; a habit, and again in each frame.
_GIRDLE = {"lead_girdle": 10.0, "trail_girdle": 10.0, "lead_lift": 8.0, "trail_lift": 8.0}
# What a rig decides and a body does not say: where along a chain a turn is made, how skin follows a
# twist, how a hand lies on the grip. Drawn wide for each golfer, so that none is learnt.
_RIG = {
    "girdle_share": (0.2, 1.0),
    "arm_twist": (0.0, 1.0),
    "spine_low": (0.6, 1.9),
    "neck_low": (0.6, 1.7),
    "palm_off_m": (0.004, 0.03),
    "lead_cock": (0.0, 0.8),
    "trail_cock": (-0.2, 0.8),
}
HANDS_APART_M = (0.05, 0.11)
# How much of the keyed turn and side bend a golfer makes, mean and SD: a shoulder line seen end on
# is told from the habit alone where the habit is narrow, and good players turn past 90 deg and bend
# to the side by more than 30 (both common practice, no source).
_SHARE = {"shoulder_turn": (1.08, 0.2), "side_bend": (1.4, 0.5)}
AGAIN_SHARE = 0.3  # of it, between two swings or stages of one golfer at one position


def style(rng: np.random.Generator) -> dict[str, float]:
    """One golfer's habits: a constant offset for every keyed figure, and the rest."""
    return (
        {name: float(rng.normal(0.0, sd)) for name, sd in _STYLE.items()}
        | {
            "lead_flare": float(rng.uniform(0, 35)),
            "trail_flare": float(rng.uniform(-5, 25)),
            "protraction": float(rng.uniform(5, 25)),
            "elevation": float(rng.uniform(5, 25)),
            "lead_elbow": float(rng.normal(0.0, ELBOW_HABIT_DEG)),
            "trail_elbow": float(rng.normal(0.0, ELBOW_HABIT_DEG)),
        }
        | {name: float(rng.normal(0.0, sd)) for name, sd in _GIRDLE.items()}
        | {name: float(rng.uniform(*span)) for name, span in _RIG.items()}
        | {f"{name}_share": float(rng.normal(*share)) for name, share in _SHARE.items()}
    )


def draw(
    phase: float, habit: dict[str, float], rng: np.random.Generator, scatter: float = 1.0
) -> Posture:
    """A posture at `phase` (0 is P1, 9 is P10) of the golfer with this habit.

    `scatter` scales what differs from frame to frame; 0 leaves the habit.
    """
    at = np.arange(10.0)
    step = FAR_OUT if scatter > 0 and rng.random() < FAR_OUT_SHARE else OUT_OF_STEP
    late = {part: float(rng.normal(0.0, scatter * step)) for part in ("legs", "trunk", "arms")}
    values = {
        name: float(np.interp(phase + late[_PART.get(name, "legs")], at, keyed))
        * habit.get(f"{name}_share", 1.0)
        + habit[name]
        + float(rng.normal(0.0, scatter * FRAME_SHARE * _STYLE[name]))
        for name, keyed in _KEYS.items()
    }
    if scatter > 0 and rng.random() < BENT_SHARE:
        values["reach"] -= abs(float(rng.normal(0.0, scatter * BENT_MORE)))
    values["reach"] = float(np.clip(values["reach"], 0.45, 0.9995))
    values["stance"] = float(np.clip(values["stance"], 0.22, 0.62))
    values["heel_lift"] = float(np.clip(values["heel_lift"], 0.0, 70.0)) if phase > 3.5 else 0.0
    values["foot_spin"] = values["foot_spin"] if values["heel_lift"] > 5 else 0.0
    values["lead_knee"] = float(np.clip(values["lead_knee"], 2.0, 60.0))
    values["trail_knee"] = float(np.clip(values["trail_knee"], 2.0, 75.0))
    values["forward_bend"] = float(np.clip(values["forward_bend"], -8.0, 55.0))
    k = int(np.clip(np.floor(phase), 0, 8))
    share = phase - k
    shaft = _slerp(_SHAFT[k], _SHAFT[k + 1], share) + rng.normal(0.0, scatter * 0.12, 3)
    shaft /= np.linalg.norm(shaft)
    known = {f.name for f in fields(Posture)}
    return Posture(
        shaft=(float(shaft[0]), float(shaft[1]), float(shaft[2])),
        lead_elbow=habit["lead_elbow"] + float(rng.normal(0.0, scatter * ELBOW_FRAME_DEG)),
        trail_elbow=habit["trail_elbow"] + float(rng.normal(0.0, scatter * ELBOW_FRAME_DEG)),
        finger_curl=float(rng.uniform(45, 60)),
        hands_apart=float(rng.uniform(*HANDS_APART_M)),
        **{
            name: habit[name] + float(rng.normal(0.0, scatter * sd)) for name, sd in _GIRDLE.items()
        },
        **{
            k: v
            for k, v in habit.items()
            if k in known - set(values) - set(_GIRDLE) and "elbow" not in k
        },
        **values,
    )


def carry(posture: Posture, phase: float, step: float) -> Posture:
    """The same golfer `step` phases later than at `phase`: what an open shutter sees."""
    at = np.arange(10.0)
    ends = np.clip([phase, phase + step], 0.0, 9.0)
    moved = {
        name: getattr(posture, name) + float(np.diff(np.interp(ends, at, keyed))[0])
        for name, keyed in _KEYS.items()
    }
    moved["reach"] = float(np.clip(moved["reach"], 0.45, 0.9995))
    moved["heel_lift"] = max(moved["heel_lift"], 0.0) if posture.heel_lift > 0 else 0.0
    moved["foot_spin"] = moved["foot_spin"] if moved["heel_lift"] > 5 else 0.0
    moved["lead_knee"], moved["trail_knee"] = (
        max(moved[name], 2.0) for name in ("lead_knee", "trail_knee")
    )
    keyed_shafts = []
    for end in ends:
        k = int(np.clip(np.floor(end), 0, 8))
        keyed_shafts.append(_slerp(_SHAFT[k], _SHAFT[k + 1], end - k))
    shaft = np.asarray(posture.shaft) + keyed_shafts[1] - keyed_shafts[0]
    return replace(posture, **moved).with_shaft(shaft / np.linalg.norm(shaft))


def key_postures(habit: dict[str, float], rng: np.random.Generator) -> list[Posture]:
    """The ten keyed postures of one golfer, for a whole swing: habits only, arms and feet calm."""
    calm = {name: 0.5 * value if name in _STYLE else value for name, value in habit.items()}
    calm["lead_elbow"], calm["trail_elbow"] = rng.normal(0, 10.0), rng.normal(0, 10.0)
    keys = [draw(float(k), calm, np.random.default_rng(0), scatter=0.0) for k in range(10)]
    apart = float(rng.uniform(*HANDS_APART_M))
    same = {"stance": keys[0].stance, "hands_apart": apart, "finger_curl": 52.0}
    return [replace(key, **same) for key in keys]


def again(posture: Posture, rng: np.random.Generator) -> Posture:
    """The same position in another swing or another stage: near, not the same."""
    changed = {
        name: getattr(posture, name) + float(rng.normal(0.0, AGAIN_SHARE * sd))
        for name, sd in _STYLE.items()
        if name not in ("heel_lift", "foot_spin", "reach", "stance")
    }
    for elbow in ("lead_elbow", "trail_elbow"):
        changed[elbow] = getattr(posture, elbow) + float(rng.normal(0.0, 8.0))
    for name, sd in _GIRDLE.items():
        changed[name] = getattr(posture, name) + float(rng.normal(0.0, AGAIN_SHARE * sd))
    changed["reach"] = float(np.clip(posture.reach + rng.normal(0.0, 0.005), 0.45, 0.9995))
    changed["lead_knee"] = max(changed["lead_knee"], 2.0)
    changed["trail_knee"] = max(changed["trail_knee"], 2.0)
    shaft = np.asarray(posture.shaft) + rng.normal(0.0, 0.04, 3)
    shaft /= np.linalg.norm(shaft)
    return replace(posture, shaft=(float(shaft[0]), float(shaft[1]), float(shaft[2])), **changed)


def _slerp(a: Array, b: Array, share: float) -> Array:
    a, b = a / np.linalg.norm(a), b / np.linalg.norm(b)
    angle = np.arccos(np.clip(a @ b, -1, 1))
    if angle < 1e-6:
        return a
    return (np.sin((1 - share) * angle) * a + np.sin(share * angle) * b) / np.sin(angle)
