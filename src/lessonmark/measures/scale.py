"""Find the scale: pixels to a centimetre in the plane of the golfer's hips at address.

Four sources, each with its error: the player's stature through published segment fractions, the
club's length, the ball's least diameter, and a reference of known length that the coach clicked.
What is nearer to the camera than the hips is larger; each source is brought to the hips' plane by
an ordinary golfer's depth (`depth.py`) and carries what is not known of that as an error.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.depth import nearer
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import SwingSeen
from lessonmark.words import Position, View

__all__ = [
    "BALL_CM",
    "SEGMENTS",
    "combine_scales",
    "find_scale",
    "scale_from_ball",
    "scale_from_club",
    "scale_from_reference",
    "scale_from_stature",
]

# Share of stature: Drillis & Contini 1966, as in Winter 2009, fig. 4.1.
SEGMENTS = {"shank": 0.246, "thigh": 0.245}
JOINTS = {"shank": ("knee", "ankle"), "thigh": ("hip", "knee")}
# What a leg's bend at address leaves of its length in each view, and its spread: shank 10 and
# thigh 15 deg out of the face-on plane (common practice, no source).
FLAT = {
    View.FACE_ON: {"shank": 0.985, "thigh": 0.966},
    View.DOWN_THE_LINE: {"shank": 0.985, "thigh": 0.990},
}
FLAT_SE = 0.015
# Single-person spread of such a fraction: 3 to 5 % (references, section 2, from memory).
PERSON_SE = 0.04
# Where the network's hip, knee and ankle lie against the joint centres, share of the segment.
LANDMARK_SE = {"shank": 0.03, "thigh": 0.05}
STATURE_SE_CM = 1.5  # as people state it
# Least diameter of a ball, 1.680 in (The R&A and USGA, Equipment Rules, part 4).
BALL_CM = 4.267
# Balls are made hardly larger than the least; common practice, no source.
BALL_LARGER_SE = 0.003
# The middle of the clubhead lies a little past the end of the club's stated length.
CLUB_PAST_END = 1.02
CLUB_SE = 0.03
# At P2 the shaft is within some 10 to 15 deg of the image plane.
CLUB_FLAT = 0.98
STATURE_CM = 172.0
DISTANCE_CM, DISTANCE_SHARE_SE = 450.0, 0.3  # of an unchecked camera
DEPTH_SHARE_SE = 0.35  # of the nominal depth of a point that is not the hip
DISAGREE = 2.5  # standard errors apart: worth a word


def _to_hips(near_cm: float, swing: SwingSeen) -> tuple[float, float]:
    """Say how much larger a thing nearer by `near_cm` looks, and its error: (share, se)."""
    distance = (swing.camera.distance_cm if swing.camera else None) or DISTANCE_CM
    share = near_cm / distance
    return 1.0 / (1.0 - share), abs(share) * math.hypot(DISTANCE_SHARE_SE, DEPTH_SHARE_SE)


def scale_from_stature(
    swing: SwingSeen, stature_cm: float, *, stature_se_cm: float = STATURE_SE_CM
) -> Scale:
    """Scale from the legs' length at address against the player's stature.

    The trunk is left out: it rounds at address by several per cent of its length.

    Raises
    ------
    CannotMeasure : address was not found, or no leg is in sight then.

    References
    ----------
    Drillis & Contini 1966, in Winter, Biomechanics and Motor Control of Human Movement, 4th ed.
    2009, fig. 4.1.
    """
    s = _time(swing, Position.P1)
    means, errors = [], []
    for segment, (upper, lower) in JOINTS.items():
        scales = []
        near_se = 0.0
        for side in ("lead", "trail"):
            try:
                a, _ = swing.paths.at(f"{side}_{upper}", s)
                b, _ = swing.paths.at(f"{side}_{lower}", s)
            except CannotMeasure:
                continue
            near = sum(nearer(f"{side}_{j}", Position.P1, swing.view) for j in (upper, lower)) / 2
            larger, larger_se = _to_hips(near * stature_cm, swing)
            length = float(np.hypot(*(a - b)))
            flat = FLAT[swing.view][segment]
            scales.append(length / (SEGMENTS[segment] * stature_cm * flat * larger))
            near_se = max(near_se, larger_se)
        if scales:
            means.append(float(np.mean(scales)))
            parts = (PERSON_SE, LANDMARK_SE[segment], FLAT_SE, near_se)
            errors.append(math.sqrt(sum(part**2 for part in parts)) * means[-1])
    if not means:
        raise CannotMeasure(
            say("no leg is in sight at address"),
            do=say("film the whole player, feet included"),
        )
    px_per_cm, se = _weighted(means, errors)
    return Scale(
        px_per_cm=px_per_cm,
        se_px_per_cm=math.hypot(se, px_per_cm * stature_se_cm / stature_cm),
        sources=("stature",),
    )


def scale_from_club(swing: SwingSeen, club_cm: float) -> Scale:
    """Scale from the club's length on the picture at P2, face-on, where it lies in the plane.

    Raises
    ------
    CannotMeasure : not face-on, P2 was not found, or the club is not in sight then.
    """
    if swing.view is not View.FACE_ON:
        raise CannotMeasure(say("the club points along the camera's axis from down-the-line"))
    s = _time(swing, Position.P2)
    butt, butt_cov = swing.paths.at("grip_butt", s)
    head, head_cov = swing.paths.at("clubhead", s)
    length = float(np.hypot(*(head - butt)))
    if length < 1.0:
        raise CannotMeasure(say("the club is seen end on at P2"))
    stature = swing.stature_cm or STATURE_CM
    near = (
        nearer("grip_mid", Position.P2, swing.view) + nearer("clubhead", Position.P2, swing.view)
    ) / 2
    larger, larger_se = _to_hips(near * stature, swing)
    px_per_cm = length / (club_cm * CLUB_PAST_END * CLUB_FLAT * larger)
    along = (head - butt) / length
    ends = math.sqrt(float(along @ (butt_cov + head_cov) @ along)) / length
    se = px_per_cm * math.sqrt(CLUB_SE**2 + larger_se**2 + ends**2)
    return Scale(px_per_cm=px_per_cm, se_px_per_cm=se, sources=("club",))


def scale_from_ball(swing: SwingSeen, diameter_px: float, se_px: float) -> Scale:
    """Scale from the ball's diameter at address; a ball is at least `BALL_CM` across.

    Raises
    ------
    CannotMeasure : the diameter is no number above 0.
    """
    if not diameter_px > 0:
        raise CannotMeasure(say("the ball's size could not be seen"))
    stature = swing.stature_cm or STATURE_CM
    larger, larger_se = _to_hips(nearer("ball", Position.P1, swing.view) * stature, swing)
    px_per_cm = diameter_px / (BALL_CM * larger)
    parts = (se_px / diameter_px, BALL_LARGER_SE, larger_se)
    se = px_per_cm * math.sqrt(sum(part**2 for part in parts))
    return Scale(px_per_cm=px_per_cm, se_px_per_cm=se, sources=("ball",))


def scale_from_reference(
    swing: SwingSeen,
    ends: tuple[tuple[float, float], tuple[float, float]],
    length_cm: float,
    *,
    click_se_px: float = 1.5,
    near_cm: float | None = None,
) -> Scale:
    """Scale from two clicks on a thing of known length.

    Parameters
    ----------
    swing : the swing that it lies in the picture of.
    ends : where it was clicked, px.
    length_cm : its length, > 0.
    click_se_px : standard error of one click, px.
    near_cm : how much nearer to the camera than the golfer's hips it lay; None: on the target
        line through the ball.

    Raises
    ------
    CannotMeasure : the two clicks are too close together, or the length is not above 0.
    """
    a, b = (np.asarray(end, dtype=float) for end in ends)
    length = float(np.hypot(*(a - b)))
    if length < 10 * click_se_px or not length_cm > 0:
        raise CannotMeasure(
            say("the reference is too short on the picture"),
            do=say("click the two ends of something longer, an alignment stick or a club"),
        )
    stature = swing.stature_cm or STATURE_CM
    known = near_cm is not None
    near = near_cm if near_cm is not None else nearer("ball", Position.P1, swing.view) * stature
    larger, larger_se = _to_hips(near, swing)
    px_per_cm = length / (length_cm * larger)
    parts = (math.sqrt(2) * click_se_px / length, larger_se * (0.5 if known else 1.0))
    se = px_per_cm * math.hypot(*parts)
    return Scale(px_per_cm=px_per_cm, se_px_per_cm=se, sources=("reference",))


def combine_scales(scales: Sequence[Scale]) -> Scale:
    """Combine scales by inverse variance; say so and widen the error where they disagree.

    Raises
    ------
    ValueError : there is none.

    References
    ----------
    Birge, R. T. (1932), Phys. Rev. 40, 207: the error of a weighted mean is widened by the root
    of chi-squared over its degrees of freedom where that is above 1.
    """
    if not scales:
        raise ValueError("no scale to combine")
    values = [one.px_per_cm for one in scales]
    errors = [one.se_px_per_cm for one in scales]
    mean, se = _weighted(values, errors)
    sources = tuple(name for one in scales for name in one.sources)
    note = say(
        "centimetres from {sources}, {error:.1f} % standard error",
        sources=", ".join(sources),
        error=100 * se / mean,
    )
    chi2 = sum(((v - mean) / e) ** 2 for v, e in zip(values, errors, strict=True))
    birge = math.sqrt(chi2 / (len(scales) - 1)) if len(scales) > 1 else 0.0
    if birge > 1.0:
        se *= birge
    furthest = max(
        (abs(v - w) / math.hypot(e, f), i, j)
        for i, (v, e) in enumerate(zip(values, errors, strict=True))
        for j, (w, f) in enumerate(zip(values, errors, strict=True))
    )
    if furthest[0] > DISAGREE:
        one, other = (scales[i].sources[0] for i in sorted(furthest[1:]))
        note = say(
            "centimetres are in doubt: {one} and {other} differ by {share:.0f} %; check what was "
            "entered",
            one=one,
            other=other,
            share=100 * abs(values[furthest[1]] - values[furthest[2]]) / mean,
        )
    return Scale(px_per_cm=mean, se_px_per_cm=se, sources=sources, note=note)


def find_scale(
    swing: SwingSeen,
    *,
    stature_cm: float | None = None,
    club_cm: float | None = None,
    ball_px: tuple[float, float] | None = None,
    reference: Scale | None = None,
) -> Scale | None:
    """Find the scale from whatever is known; None where nothing gives one.

    Parameters
    ----------
    swing : the swing, its own scale not looked at.
    stature_cm, club_cm : as declared; None where they were not.
    ball_px : the ball's diameter and its standard error; None where it was not measured.
    reference : from `scale_from_reference`; None where nothing was clicked.
    """
    found = [reference] if reference is not None else []
    attempts: tuple[tuple[object, Callable[[], Scale]], ...] = (
        (stature_cm, lambda: scale_from_stature(swing, stature_cm or 0.0)),
        (club_cm, lambda: scale_from_club(swing, club_cm or 0.0)),
        (ball_px, lambda: scale_from_ball(swing, *(ball_px or (0.0, 0.0)))),
    )
    for given, attempt in attempts:
        if given is None:
            continue
        try:
            found.append(attempt())
        except CannotMeasure:
            continue
    return combine_scales(found) if found else None


def _weighted(values: Sequence[float], errors: Sequence[float]) -> tuple[float, float]:
    weights = 1.0 / np.square(errors)
    return float(np.average(values, weights=weights)), float(1.0 / math.sqrt(weights.sum()))


def _time(swing: SwingSeen, position: Position) -> float:
    if position not in swing.positions:
        raise CannotMeasure(say("{position} was not found", position=position.value))
    return swing.positions[position].time.s
