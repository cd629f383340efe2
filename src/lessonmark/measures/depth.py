"""How far a golfer's points lie before or behind the plane that is measured in.

One camera sees no depth. What it does to a measure (camera off square, perspective) can still be
sized, from an ordinary golfer's build: stature fractions of Drillis & Contini (Winter 2009,
fig. 4.1) and the turns of an ordinary full swing (common practice, no source). Perspective is
taken out by it, and what is not known of it is carried as a systematic error.
"""

from __future__ import annotations

import numpy as np

from lessonmark.words import Position, View

__all__ = ["STATURE_PER_TORSO", "nearer", "off_nominal"]

# Hip to shoulder, share of stature (Winter 2009, fig. 4.1: 0.818 - 0.530 of the heights).
TORSO = 0.288
STATURE_PER_TORSO = 1 / TORSO
HALF_SHOULDERS = 0.11  # between shoulder joints: less than biacromial / 2 = 0.129
HALF_HIPS = 0.05  # between hip joints: less than hip breadth / 2 = 0.095
# How far the trunk is bent out toward the ball, deg, and the head before the shoulders, share of
# stature, P1 to P10: a player stands up into the finish, face to the target. Common practice, no
# source; two families of rendered motion agree within 0.03 of stature (bench/README.md, measures).
FORWARD_BEND = (35, 35, 35, 35, 35, 35, 30, 25, 20, 0)
HEAD_OUT = (0.09, 0.09, 0.09, 0.09, 0.09, 0.09, 0.09, 0.09, 0.08, 0.02)
# Turn away from the target (+) of shoulders and hips, deg, P1 to P10; common practice, no source.
SHOULDER_TURN = (0, 25, 60, 90, 50, 15, -25, -45, -70, -110)
HIP_TURN = (0, 10, 25, 45, 10, -15, -40, -55, -70, -95)
# How far the hips have gone along the target line, share of stature; shoulders go some of the way.
SWAY = (0.0, -0.005, -0.01, -0.005, 0.012, 0.03, 0.045, 0.05, 0.06, 0.08)
SHOULDERS_SWAY = 0.4
# Out toward the ball from the hips, share of stature, where the turn does not matter.
OUT = {"hip": 0.0, "knee": 0.06, "ankle": 0.06, "heel": 0.03, "foot_index": 0.14}
STANCE_HALF = 0.12
# Hands and club: (out from the hips, along), share of stature, P1 to P10; sketched from an
# ordinary full swing, common practice, no source.
HANDS = (
    (0.20, 0.02),
    (0.20, -0.20),
    (0.10, -0.32),
    (-0.02, -0.22),
    (0.06, -0.30),
    (0.20, -0.12),
    (0.22, 0.06),
    (0.20, 0.20),
    (0.08, 0.32),
    (-0.10, 0.10),
)
CLUBHEAD = (
    (0.46, 0.0),
    (0.20, -0.70),
    (-0.02, -0.55),
    (-0.02, 0.15),
    (-0.10, -0.60),
    (0.20, -0.62),
    (0.46, 0.0),
    (0.22, 0.70),
    (0.0, 0.60),
    (-0.40, -0.1),
)
# How far a point truly lies from its nominal depth, root mean square over all the positions of two
# families of rendered swings, share of stature: face-on (out), down-the-line (along). Golfers of
# one family swing alike, so that much of it is shared (bench/README.md, measures).
OFF_NOMINAL = {
    "hip": (0.01, 0.04),
    "shoulder": (0.035, 0.05),
    "ear": (0.035, 0.055),
    "elbow": (0.055, 0.05),
    "wrist": (0.065, 0.065),
    "knee": (0.06, 0.045),
    "ankle": (0.02, 0.055),
    "ball": (0.07, 0.05),
}
ALIKE = {
    "grip_mid": "wrist",
    "grip_butt": "wrist",
    "index": "wrist",
    "pinky": "wrist",
    "thumb": "wrist",
    "eye": "ear",
    "nose": "ear",
    "heel": "ankle",
    "foot_index": "ankle",
}
OTHERS_OFF = 0.06
# The clubhead's at the ball (P1, P7) and elsewhere, where it goes round faster than any table says.
CLUBHEAD_OFF = {View.FACE_ON: (0.075, 0.11), View.DOWN_THE_LINE: (0.055, 0.17)}


def nearer(name: str, position: Position, view: View) -> float:
    """Say how far nearer to the camera than the mid-hip a point lies, share of stature.

    Rough: a point that is not in the table counts as in the hips' plane.
    """
    out, along = _place(name, position.number - 1)
    # The down-the-line camera stands on the side away from the target.
    return out if view is View.FACE_ON else -along


def off_nominal(name: str, position: Position, view: View) -> float:
    """Say how far a point may lie from its nominal depth, standard error, share of stature."""
    joint = name.split("_", 1)[1] if name.startswith(("lead_", "trail_", "mid_")) else name
    if joint == "clubhead":
        at_ball, elsewhere = CLUBHEAD_OFF[view]
        return at_ball if position in (Position.P1, Position.P7) else elsewhere
    face_on, down_the_line = OFF_NOMINAL.get(ALIKE.get(joint, joint), (OTHERS_OFF, OTHERS_OFF))
    return face_on if view is View.FACE_ON else down_the_line


def _place(name: str, at: int) -> tuple[float, float]:
    side = 1.0 if name.startswith("lead_") else -1.0 if name.startswith("trail_") else 0.0
    joint = name.split("_", 1)[1] if side or name.startswith("mid_") else name
    turn = np.radians((HIP_TURN if joint == "hip" else SHOULDER_TURN)[at])
    bend_out = TORSO * float(np.sin(np.radians(FORWARD_BEND[at])))
    if joint in ("shoulder", "hip"):
        half = HALF_SHOULDERS if joint == "shoulder" else HALF_HIPS
        middle = bend_out if joint == "shoulder" else 0.0
        sway = SWAY[at] * (1.0 if joint == "hip" else SHOULDERS_SWAY)
        out = middle + side * half * float(np.sin(turn))
        return out, sway + side * half * float(np.cos(turn))
    if joint in ("ear", "eye", "nose", "eye_inner", "eye_outer"):
        return bend_out + HEAD_OUT[at], side * 0.04
    if joint in OUT:
        return OUT[joint], side * STANCE_HALF
    if joint == "elbow":
        shoulder, hands = _place(f"{'lead' if side > 0 else 'trail'}_shoulder", at), HANDS[at]
        return (shoulder[0] + hands[0]) / 2, (shoulder[1] + hands[1]) / 2
    if joint in ("wrist", "grip_mid", "grip_butt", "index", "pinky", "thumb"):
        return HANDS[at]
    if joint in ("clubhead", "ball"):
        return CLUBHEAD[at if joint == "clubhead" else 0]
    return 0.0, 0.0
