"""Measures over a span of the swing: times, their ratio, rates, and the clubhead's clearance."""

from __future__ import annotations

import numpy as np

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.geometry import length, turn
from lessonmark.measures.posture import Posture, Vector
from lessonmark.measures.registry import Drawn, span
from lessonmark.measures.swing import Swing
from lessonmark.words import Position, View

__all__: list[str] = []

FACE_ON = View.FACE_ON
ANY_VIEW = set(View)
P = Position


@span(
    id="backswing_time",
    name="backswing time",
    views=ANY_VIEW,
    unit="ms",
    reads="how long the club goes back",
    sign="never below 0",
    definition="P1 to P4",
    usual="tour professionals 700 to 1000 (Grober & Cholewicki 2008)",
)
def backswing_time(swing: Swing) -> float:
    """Time from the takeaway to the top, ms."""
    return 1000.0 * (swing.time(P.P4) - swing.time(P.P1))


@span(
    id="downswing_time",
    name="downswing time",
    views=ANY_VIEW,
    unit="ms",
    reads="how long the club comes down",
    sign="never below 0",
    definition="P4 to P7",
    usual="tour professionals 233 to 333 (Grober & Cholewicki 2008)",
)
def downswing_time(swing: Swing) -> float:
    """Time from the top to impact, ms."""
    return 1000.0 * (swing.time(P.P7) - swing.time(P.P4))


@span(
    id="tempo",
    name="tempo",
    views=ANY_VIEW,
    unit="",
    reads="rhythm: time back over time down",
    sign="+ slower back than down",
    definition="P1-P4 time over P4-P7 time",
    usual="tour professionals near 3 (Grober & Cholewicki 2008)",
)
def tempo(swing: Swing) -> float:
    """Backswing time over downswing time."""
    down = swing.time(P.P7) - swing.time(P.P4)
    return (swing.time(P.P4) - swing.time(P.P1)) / down


def signed_hinge(p: Posture) -> float:
    """Turn from the lead forearm (elbow to wrist) to the shaft, deg, 0 in one line, signed."""
    return turn(p["lead_wrist"] - p["lead_elbow"], 10.0 * p.shaft)


@span(
    id="release_rate",
    name="release rate (stand-in for how fast the hands roll over)",
    views={FACE_ON},
    unit="deg/s",
    reads="how fast the hands roll over, by a stand-in; read it with hand_radius at P8",
    sign="+ club overtaking the forearm",
    definition="mean rate of change of the angle from lead forearm to shaft from P7 to P8, as "
    "seen flat; a stand-in: the face's closing is not seen by one camera",
    needs="the whole club in sight, 100 frames a second or more",
    least_fps=100.0,
    usual="1000 to 2500 with an iron (common practice, no source)",
    draws=(Drawn(points=("lead_elbow", "lead_wrist")), Drawn(points=("grip_mid", "clubhead"))),
)
def release_rate(swing: Swing) -> float:
    """Mean rate of the hinge's change from P7 to P8, deg/s, + club overtaking the forearm."""
    change = signed_hinge(swing.posture(P.P8)) - signed_hinge(swing.posture(P.P7))
    return ((change + 180.0) % 360.0 - 180.0) / (swing.time(P.P8) - swing.time(P.P7))


# The pelvis counts as moving once it has gone this share of its way from its farthest-back place
# to where it is at P6: well above the jitter of a still hip in a track.
FIRST_MOVE = 0.25
LEAST_TRAVEL = 2.0  # cm, or % of the torso: less is no shift
PATH_STEP_S = 0.002
# Weights of a bell 20 ms wide: a hip does nothing faster, a track's jitter is.
BELL_STEP_S = 0.005
BELL = np.exp(-0.5 * (np.arange(-10, 11) * BELL_STEP_S / 0.020) ** 2)


@span(
    id="shift_lead",
    name="hips ahead of the arms",
    views={FACE_ON},
    unit="ms",
    reads="hips start before the arms have finished going back",
    sign="+ hips first",
    definition="from when the mid-hip has gone a quarter of its way from its farthest-back place "
    "to where it is at P6, to P4",
    needs="60 frames a second or more",
    least_fps=50.0,
    usual="0 to 150 (common practice, no source)",
    draws=(Drawn(points=("mid_hip",), kind="then"),),
)
def shift_lead(swing: Swing) -> float:
    """Time from the pelvis's first move toward the target to P4, ms, + hips first."""
    top = swing.time(P.P4)
    times = np.arange(swing.time(P.P2), swing.time(P.P6), BELL_STEP_S)
    rough = swing.path("mid_hip", times)[:, 0]
    weights = np.convolve(np.ones_like(rough), BELL, mode="same")
    along = np.convolve(rough, BELL, mode="same") / weights
    back = int(np.argmin(along))
    travel = float(along[-1] - along[back])
    line = along[back] + FIRST_MOVE * travel
    past = np.nonzero(along[back:] >= line)[0]
    if travel < LEAST_TRAVEL:
        raise CannotMeasure(
            say("the hips do not move toward the target before P6"),
            do=say("look at hip shift at P6 instead"),
        )
    after = back + int(past[0])
    before = after - 1
    share = (line - along[before]) / (along[after] - along[before])
    moved = times[before] + float(share) * (times[after] - times[before])
    return 1000.0 * (top - float(moved))


@span(
    id="clearance",
    name="clearance",
    views={FACE_ON},
    unit="cm",
    reads="the drill's own test: the clubhead's path against the obstacle",
    sign="+ clear, - inside the obstacle",
    definition="least distance of the clubhead's path from the obstacle, P4 to P8",
    needs="the whole club in sight, the obstacle marked on the picture",
    usual="above 0: the obstacle was missed",
    draws=(Drawn(points=("clubhead",)),),
)
def clearance(swing: Swing) -> float:
    """Least distance of the clubhead's path from the obstacle, cm, negative inside it."""
    corners = swing.obstacle()
    # Finer than frames: at 45 m/s the clubhead goes 37 cm in one at 120 frames a second.
    times = np.arange(swing.time(P.P4), swing.time(P.P8), PATH_STEP_S)
    path = swing.path("clubhead", times)
    return min(_signed_distance(point, corners) for point in path)


def _signed_distance(point: Vector, corners: tuple[Vector, ...]) -> float:
    nearest = min(
        _from_edge(point, a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)
    )
    return -nearest if _inside(point, corners) else nearest


def _from_edge(point: Vector, a: Vector, b: Vector) -> float:
    edge = b - a
    along = float(np.clip((point - a) @ edge / max(float(edge @ edge), 1e-12), 0.0, 1.0))
    return length(point - a - along * edge)


def _inside(point: Vector, corners: tuple[Vector, ...]) -> bool:
    # Even-odd rule: count the edges that a ray to the right crosses.
    odd = False
    for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
        if (a[1] > point[1]) != (b[1] > point[1]):
            crossing = a[0] + (point[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
            odd ^= bool(point[0] < crossing)
    return odd
