"""Measures of the body at a position: angles and displacements as projected on the view's plane."""

from __future__ import annotations

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.geometry import flexion, from_vertical, length, line_tilt
from lessonmark.measures.posture import Posture, Vector
from lessonmark.measures.registry import Drawn, measure
from lessonmark.words import Position, View

__all__: list[str] = []

FACE_ON, DOWN_THE_LINE = View.FACE_ON, View.DOWN_THE_LINE
BOTH = {FACE_ON, DOWN_THE_LINE}
AFTER_P1 = tuple(p for p in Position if p is not Position.P1)
# Where less than this share of its own width at address lies across the picture, a line across the
# body is seen too nearly end on: its slope then says more about the turn than about the tilt.
END_ON = 0.35

TRUNK = Drawn(points=("mid_hip", "mid_shoulder"))
PLUMB_AT_HIP = Drawn(points=("mid_hip",), kind="plumb")


def _trunk(p: Posture) -> Vector:
    return p["mid_shoulder"] - p["mid_hip"]


def _end_on(trail: Vector, lead: Vector, at_address: Vector) -> bool:
    # Across only: shoulders that turn past square to the camera stand one above the other there.
    return abs(float(lead[0] - trail[0])) < END_ON * length(at_address)


def _across(p: Posture, joint: str) -> float:
    trail, lead = p[f"trail_{joint}"], p[f"lead_{joint}"]
    if _end_on(trail, lead, p.start[f"lead_{joint}"] - p.start[f"trail_{joint}"]):
        raise CannotMeasure(
            say("the line of the {joint}s is seen nearly end on here", joint=joint),
            do=say("read it at a position where the body faces the camera more"),
        )
    return line_tilt(trail, lead)


@measure(
    id="shoulder_tilt",
    name="shoulder tilt",
    views={FACE_ON},
    unit="deg",
    reads="level or dropped shoulder",
    sign="+ trail shoulder lower",
    definition="line of the shoulders to the horizontal",
    needs="the shoulders across the picture: not at the top of a full turn",
    usual="5 to 20 at P1, 20 to 40 at P7 (common practice, no source)",
    draws=(
        Drawn(points=("trail_shoulder", "lead_shoulder")),
        Drawn(points=("trail_shoulder",), kind="level"),
    ),
)
def shoulder_tilt(p: Posture) -> float:
    """Tilt of the shoulder line, deg, + trail shoulder lower."""
    return _across(p, "shoulder")


@measure(
    id="pelvis_tilt",
    name="belt tilt",
    views={FACE_ON},
    unit="deg",
    reads="level or tilted belt",
    sign="+ trail hip lower",
    definition="line of the hips to the horizontal",
    needs="the hips across the picture: not in the finish",
    usual="0 to 5 at P1, 5 to 15 at P7 (common practice, no source)",
    draws=(Drawn(points=("trail_hip", "lead_hip")), Drawn(points=("trail_hip",), kind="level")),
)
def pelvis_tilt(p: Posture) -> float:
    """Tilt of the hip line, deg, + trail hip lower."""
    return _across(p, "hip")


@measure(
    id="trunk_lean",
    name="trunk lean",
    views={FACE_ON},
    unit="deg",
    reads="hanging back, or leaning to the target",
    sign="+ away from the target",
    definition="mid-hip to mid-shoulder, to the vertical",
    usual="3 to 10 at P1, -5 to 10 at P4, 5 to 20 at P7 (common practice, no source)",
    draws=(TRUNK, PLUMB_AT_HIP),
)
def trunk_lean(p: Posture) -> float:
    """Lean of the trunk line from the vertical, deg, + away from the target."""
    return -from_vertical(_trunk(p))


@measure(
    id="side_bend",
    name="side bend",
    views={FACE_ON},
    unit="deg",
    reads="bend of the trunk to the trail side",
    sign="+ to the trail side",
    definition="trunk line (mid-hip to mid-shoulder) to the perpendicular of the hip line",
    usual="0 to 10 at P1, 5 to 30 at P7 (common practice, no source)",
    draws=(TRUNK, Drawn(points=("trail_hip", "lead_hip"))),
)
def side_bend(p: Posture) -> float:
    """Bend of the trunk line from the hips' perpendicular, deg, + to the trail side."""
    return trunk_lean(p) - _across(p, "hip")


@measure(
    id="forward_bend",
    name="forward bend",
    views={DOWN_THE_LINE},
    unit="deg",
    reads="inclination to the ground",
    sign="+ toward the ball",
    definition="mid-hip to mid-shoulder, to the vertical",
    usual="tour professionals at the top, in space: men 31 ± 4, women 25 ± 4 (Zheng et al. 2008)",
    draws=(TRUNK, PLUMB_AT_HIP),
)
def forward_bend(p: Posture) -> float:
    """Inclination of the trunk line, deg, + toward the ball."""
    return from_vertical(_trunk(p))


@measure(
    id="neck_flex",
    name="neck flexion",
    views=BOTH,
    unit="deg",
    reads="head hanging from the trunk, or up",
    sign="+ forward: toward the ball down-the-line, toward the target face-on",
    definition="mid-shoulder to mid-ear, to the trunk line; face-on only from P8 on, where the "
    "chest faces the target",
    positions_face_on=(Position.P8, Position.P9, Position.P10),
    needs="both ears in sight",
    usual="0 to 30 down-the-line from P1 to P7 (common practice, no source)",
    draws=(Drawn(points=("mid_hip", "mid_shoulder", "mid_ear")),),
)
def neck_flex(p: Posture) -> float:
    """Bend of the neck from the trunk line, deg, + forward."""
    neck = p["mid_ear"] - p["mid_shoulder"]
    return from_vertical(neck) - from_vertical(_trunk(p))


@measure(
    id="eye_tilt",
    name="eye line",
    views={FACE_ON},
    unit="deg",
    reads="level or tilted head",
    sign="+ trail side lower",
    definition="line of the eyes and ears to the horizontal",
    needs="the face toward the camera",
    usual="-10 to 10 at P1, 5 to 25 at P7 (common practice, no source)",
    draws=(
        Drawn(points=("trail_ear", "lead_ear")),
        Drawn(points=("trail_ear",), kind="level"),
    ),
)
def eye_tilt(p: Posture) -> float:
    """Tilt of the line through eyes and ears, deg, + trail side lower."""
    # Both lines are parallel in a head; the longer one counts for more by its length alone.
    lead = p["lead_ear"] + p["lead_eye"]
    trail = p["trail_ear"] + p["trail_eye"]
    at_address = p.start["lead_ear"] + p.start["lead_eye"]
    at_address = at_address - p.start["trail_ear"] - p.start["trail_eye"]
    if _end_on(trail, lead, at_address):
        raise CannotMeasure(
            say("the head is turned away from the camera here"),
            do=say("read it at address or near the ball"),
        )
    return line_tilt(trail, lead)


def _elbow(p: Posture, side: str) -> float:
    return flexion(p[f"{side}_shoulder"], p[f"{side}_elbow"], p[f"{side}_wrist"])


def _knee(p: Posture, side: str) -> float:
    return flexion(p[f"{side}_hip"], p[f"{side}_knee"], p[f"{side}_ankle"])


def _limb(side: str, *joints: str) -> tuple[Drawn, ...]:
    return (Drawn(points=tuple(f"{side}_{joint}" for joint in joints)),)


@measure(
    id="trail_elbow_flex",
    name="trail elbow bend",
    views=BOTH,
    unit="deg",
    reads="folded or straight trail arm",
    sign="+ bent, 0 straight",
    definition="180 minus the angle shoulder-elbow-wrist of the trail arm",
    usual="5 to 25 at P1, 70 to 110 at P4, 10 to 40 at P7 (common practice, no source)",
    draws=_limb("trail", "shoulder", "elbow", "wrist"),
)
def trail_elbow_flex(p: Posture) -> float:
    """Bend of the trail elbow, deg, 0 straight."""
    return _elbow(p, "trail")


@measure(
    id="lead_elbow_flex",
    name="lead elbow bend",
    views=BOTH,
    unit="deg",
    reads="straight or bent lead arm",
    sign="+ bent, 0 straight",
    definition="180 minus the angle shoulder-elbow-wrist of the lead arm",
    usual="0 to 20 up to P7 (common practice, no source)",
    draws=_limb("lead", "shoulder", "elbow", "wrist"),
)
def lead_elbow_flex(p: Posture) -> float:
    """Bend of the lead elbow, deg, 0 straight."""
    return _elbow(p, "lead")


@measure(
    id="trail_knee_flex",
    name="trail knee bend",
    views=BOTH,
    unit="deg",
    reads="leg bend",
    sign="+ bent, 0 straight",
    definition="180 minus the angle hip-knee-ankle of the trail leg",
    usual="flat face-on 0 to 15 at P1; down-the-line 15 to 35 at P1 (common practice, no source)",
    draws=_limb("trail", "hip", "knee", "ankle"),
)
def trail_knee_flex(p: Posture) -> float:
    """Bend of the trail knee, deg, 0 straight."""
    return _knee(p, "trail")


@measure(
    id="lead_knee_flex",
    name="lead knee bend",
    views=BOTH,
    unit="deg",
    reads="leg bend, posting up",
    sign="+ bent, 0 straight",
    definition="180 minus the angle hip-knee-ankle of the lead leg",
    usual="flat face-on 0 to 15 at P1; down-the-line 15 to 35 at P1 (common practice, no source)",
    draws=_limb("lead", "hip", "knee", "ankle"),
)
def lead_knee_flex(p: Posture) -> float:
    """Bend of the lead knee, deg, 0 straight."""
    return _knee(p, "lead")


def _moved(p: Posture, name: str) -> Vector:
    return p[name] - p.start[name]


@measure(
    id="pelvis_shift",
    name="hip shift",
    views={FACE_ON},
    unit="cm",
    reads="early slide, or staying back",
    sign="+ toward the target",
    definition="mid-hip, how far along the target line from where it was at P1",
    positions=AFTER_P1,
    usual="-5 to 3 at P4, 5 to 12 at P7 (from memory)",
    draws=(Drawn(points=("mid_hip",), kind="then"), Drawn(points=("mid_hip",), kind="plumb")),
)
def pelvis_shift(p: Posture) -> float:
    """Displacement of the mid-hip since address, cm, + toward the target."""
    return float(_moved(p, "mid_hip")[0])


@measure(
    id="head_shift",
    name="head shift",
    views={FACE_ON},
    unit="cm",
    reads="swaying, staying behind the ball",
    sign="+ toward the target",
    definition="mid-ear, how far along the target line from where it was at P1",
    positions=AFTER_P1,
    needs="the head in sight",
    usual="-5 to 5 at P4, -6 to 4 at P7 (common practice, no source)",
    draws=(Drawn(points=("mid_ear",), kind="then"), Drawn(points=("mid_ear",), kind="plumb")),
)
def head_shift(p: Posture) -> float:
    """Displacement of the mid-ear since address, cm, + toward the target."""
    return float(_moved(p, "mid_ear")[0])


@measure(
    id="pelvis_rise",
    name="belt rise",
    views=BOTH,
    unit="cm",
    reads="belt level",
    sign="+ up",
    definition="mid-hip, how far up from where it was at P1",
    positions=AFTER_P1,
    usual="-6 to 2 at P4, -3 to 5 at P7 (common practice, no source)",
    draws=(Drawn(points=("mid_hip",), kind="then"), Drawn(points=("mid_hip",), kind="level")),
)
def pelvis_rise(p: Posture) -> float:
    """Displacement of the mid-hip since address, cm, + up."""
    return float(_moved(p, "mid_hip")[1])


@measure(
    id="head_rise",
    name="head rise",
    views=BOTH,
    unit="cm",
    reads="lifting or dipping",
    sign="+ up",
    definition="mid-ear, how far up from where it was at P1",
    positions=AFTER_P1,
    needs="the head in sight",
    usual="-5 to 3 at P4, -8 to 3 at P7 (common practice, no source)",
    draws=(Drawn(points=("mid_ear",), kind="then"), Drawn(points=("mid_ear",), kind="level")),
)
def head_rise(p: Posture) -> float:
    """Displacement of the mid-ear since address, cm, + up."""
    return float(_moved(p, "mid_ear")[1])


@measure(
    id="pelvis_out",
    name="hips toward the ball",
    views={DOWN_THE_LINE},
    unit="cm",
    reads="keeping or losing the room for the arms",
    sign="+ toward the ball",
    definition="mid-hip, how far toward the ball from where it was at P1",
    positions=AFTER_P1,
    usual="-3 to 3 up to P7 (common practice, no source)",
    draws=(Drawn(points=("mid_hip",), kind="then"), Drawn(points=("mid_hip",), kind="plumb")),
)
def pelvis_out(p: Posture) -> float:
    """Displacement of the mid-hip since address, cm, + toward the ball."""
    return float(_moved(p, "mid_hip")[0])
