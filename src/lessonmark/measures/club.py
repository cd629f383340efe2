"""Measures of the hands and the club at a position, face-on."""

from __future__ import annotations

import numpy as np

from lessonmark.measures.geometry import between, from_vertical, length
from lessonmark.measures.posture import Posture
from lessonmark.measures.registry import Drawn, measure
from lessonmark.words import Position, View

__all__: list[str] = []

FACE_ON = View.FACE_ON
# Half the time over which a speed is taken. Longer than a frame at 120 frames a second, so that
# the smoothed track's error in a difference stays small; short against the 90 ms from P6 to P8.
SPEED_HALF_S = 0.010
WHOLE_CLUB = "the whole club in sight, a plain background"


@measure(
    id="hinge",
    name="wrist angle",
    views={FACE_ON},
    unit="deg",
    reads="lag kept or released early",
    sign="180 = forearm and shaft in one line, less = hinged",
    definition="angle from the lead forearm to the shaft",
    needs=WHOLE_CLUB,
    usual="skilled players at P6, roughly 80 to 110 in space (from memory); flat from face-on "
    "it reads larger",
    draws=(Drawn(points=("lead_elbow", "lead_wrist")), Drawn(points=("grip_mid", "clubhead"))),
)
def hinge(p: Posture) -> float:
    """Angle between lead forearm and shaft, deg, 180 in one line."""
    return between(p["lead_elbow"] - p["lead_wrist"], 10.0 * p.shaft)


@measure(
    id="shaft_lean",
    name="shaft lean",
    views={FACE_ON},
    unit="deg",
    reads="hands ahead at the ball",
    sign="+ hands ahead",
    definition="shaft to the vertical",
    positions=(Position.P1, Position.P7),
    needs=WHOLE_CLUB + ", 120 frames a second or more",
    usual="irons at P7 roughly 5 to 15, driver near 0 (from memory)",
    least_fps=100.0,
    draws=(Drawn(points=("grip_butt", "clubhead")), Drawn(points=("clubhead",), kind="plumb")),
)
def shaft_lean(p: Posture) -> float:
    """Lean of the shaft, deg, + hands ahead of the head."""
    return from_vertical(-10.0 * p.shaft)


@measure(
    id="handle_offset",
    name="handle against ball",
    views={FACE_ON},
    unit="cm",
    reads="handle ahead of or behind the ball",
    sign="+ ahead, toward the target",
    definition="butt of the club to the ball's place at address, along the target line",
    needs=WHOLE_CLUB + ", the ball in sight at address",
    usual="irons at P7 roughly 5 to 15 (from memory)",
    draws=(Drawn(points=("grip_butt",), kind="plumb"), Drawn(points=("ball",), kind="plumb")),
)
def handle_offset(p: Posture) -> float:
    """Butt of the club past the ball, cm, + toward the target."""
    return float(p["grip_butt"][0] - p["ball"][0])


@measure(
    id="hand_radius",
    name="hand radius",
    views={FACE_ON},
    unit="cm",
    reads="arms folded or wide",
    sign="+ wider",
    definition="middle of the grip to mid-shoulder",
    needs="hands and shoulders in sight",
    usual="55 to 75 at P1, 40 to 60 at P4 (common practice, no source)",
    draws=(Drawn(points=("mid_shoulder", "grip_mid")),),
)
def hand_radius(p: Posture) -> float:
    """Distance from mid-shoulder to the middle of the grip, cm."""
    return length(p["grip_mid"] - p["mid_shoulder"])


@measure(
    id="head_radius",
    name="clubhead radius",
    views={FACE_ON},
    unit="cm",
    reads="how wide the club travels",
    sign="+ wider",
    definition="clubhead to mid-shoulder",
    needs=WHOLE_CLUB,
    usual="130 to 170 at P1 (common practice, no source)",
    draws=(Drawn(points=("mid_shoulder", "clubhead")),),
)
def head_radius(p: Posture) -> float:
    """Distance from mid-shoulder to the clubhead, cm."""
    return length(p["clubhead"] - p["mid_shoulder"])


def _speed(p: Posture, name: str) -> float:
    way = p.later(SPEED_HALF_S)[name] - p.later(-SPEED_HALF_S)[name]
    return length(way) / (2 * SPEED_HALF_S) / 100.0  # cm/s to m/s


NEAR_IMPACT = (Position.P5, Position.P6, Position.P7, Position.P8)


@measure(
    id="hand_speed",
    name="hand speed",
    views={FACE_ON},
    unit="m/s",
    reads="how fast the hands move, at least",
    sign="never below 0",
    definition="speed of the middle of the grip on the image plane, over 20 ms: a lower bound",
    positions=NEAR_IMPACT,
    needs="100 frames a second or more, a scale in cm",
    usual="at P7 roughly 6 to 9 (from memory)",
    least_fps=100.0,
    draws=(Drawn(points=("grip_mid",)),),
)
def hand_speed(p: Posture) -> float:
    """Speed of the middle of the grip on the image plane, m/s."""
    return _speed(p, "grip_mid")


@measure(
    id="head_speed",
    name="clubhead speed",
    views={FACE_ON},
    unit="m/s",
    reads="how fast the clubhead moves, at least",
    sign="never below 0",
    definition="speed of the clubhead on the image plane, over 20 ms: a lower bound",
    positions=NEAR_IMPACT,
    needs="200 frames a second or more, a scale in cm, a short exposure",
    usual="driver at P7 roughly 36 to 45 for club players, 50 for tour men (from memory)",
    least_fps=200.0,
    draws=(Drawn(points=("clubhead",)),),
)
def head_speed(p: Posture) -> float:
    """Speed of the clubhead on the image plane, m/s."""
    return _speed(p, "clubhead")


def shaft_deg(p: Posture) -> float:
    """Direction of the shaft, grip to head, deg, 0 along, + up, -180 to 180."""
    return float(np.degrees(np.arctan2(p.shaft[1], p.shaft[0])))
