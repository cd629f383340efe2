"""Pose a body as a golfer: from a few numbers a posture, from the posture every bone's turn.

World: X toward the target, Y from the ball line toward the golfer's back (the golfer looks along
-Y), Z up, metres; the body's left is +X, so this golfer plays right-handed. A left-hander is the
picture mirrored. Bone turns are world rotations from the rest pose; joints follow by the rest
offsets, so every joint centre is the rig's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from rotations import about, about_vector, frame, least_turn, part_way, twist_about, unit
from swing_shape import Posture

Array = NDArray[np.float64]

GRIP_TO_WRIST_M = 0.085  # palm's middle to wrist; scaled by the hand's own length below
UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, kw_only=True)
class Body:
    """One body at rest: heads (bone, 3), metres; names and parents of its bones."""

    names: tuple[str, ...]
    parents: tuple[int, ...]
    heads: Array

    def at(self, name: str) -> Array:
        return self.heads[self.names.index(name)]


@dataclass(frozen=True, kw_only=True)
class Posed:
    """turns (bone, 3, 3) and heads (bone, 3) in the world, and the club's two ends."""

    turns: Array
    heads: Array
    butt: Array
    shaft: Array  # unit, butt to clubhead


def _follow(body: Body, turns: Array, root: Array) -> Array:
    heads = np.zeros_like(body.heads)
    for bone, parent in enumerate(body.parents):
        if parent < 0:
            heads[bone] = root
        else:
            heads[bone] = heads[parent] + turns[parent] @ (body.heads[bone] - body.heads[parent])
    return heads


def _two_bones(start: Array, end: Array, upper: float, lower: float, pole: Array) -> Array:
    """The middle joint of a two-bone limb, bent toward `pole`."""
    line = end - start
    reach = float(np.clip(np.linalg.norm(line), abs(upper - lower) + 1e-3, upper + lower - 1e-4))
    along = unit(line)
    side = unit(pole - (pole @ along) * along)
    forward = (upper**2 - lower**2 + reach**2) / (2 * reach)
    return start + along * forward + side * np.sqrt(max(upper**2 - forward**2, 0.0))


def _limb(
    body: Body,
    turns: Array,
    bones: tuple[str, str, str, str, str],
    start: Array,
    middle: Array,
    end: Array,
    pole: Array,
    parent: Array,
    twist_share: float = 0.4,
) -> None:
    """Turn the four bones of an arm or a leg, the twist shared along the upper one."""
    first, second, third, fourth, tip = bones
    rest_upper = body.at(third) - body.at(first)
    rest_lower = body.at(tip) - body.at(third)
    upper, lower = unit(middle - start), unit(end - middle)
    # The middle joint bends away from the pole, so the hinge is square to limb and pole.
    hinge = np.cross(pole, end - start)
    rest_bend = np.cross(rest_upper, rest_lower)
    # At rest the joint is bent a little, toward its own pole: the same hand of rule.
    rest_hinge = rest_bend
    bend = np.cross(upper, lower)
    if bend @ hinge < 0:
        hinge = -hinge
    full = frame(upper, hinge) @ frame(rest_upper, rest_hinge).T
    plain = least_turn(parent @ rest_upper, upper) @ parent
    twist = twist_about(full @ plain.T, upper)
    turns[body.names.index(first)] = about_vector(upper, twist_share * twist) @ plain
    turns[body.names.index(second)] = full
    low = frame(lower, hinge) @ frame(rest_lower, rest_hinge).T
    turns[body.names.index(third)] = low
    turns[body.names.index(fourth)] = low


def _descend(body: Body, turns: Array, name: str, turn: Array) -> None:
    """Turn a bone and all that hangs from it."""
    inside = {body.names.index(name)}
    for bone, parent in enumerate(body.parents):
        if parent in inside:
            inside.add(bone)
    for bone in inside:
        turns[bone] = turn


def _hand_rest(body: Body, side: str) -> tuple[Array, Array]:
    """At rest: the hand's direction and the palm's normal."""
    wrist = body.at(f"wrist.{side}")
    along = unit(body.at(f"finger3-1.{side}") - wrist)
    across = body.at(f"finger5-1.{side}") - body.at(f"finger2-1.{side}")
    normal = np.cross(along, across) * (-1.0 if side == "L" else 1.0)
    return along, unit(normal - (normal @ along) * along)


def _curl(body: Body, turns: Array, side: str, hand: Array, degrees: float) -> None:
    along, palm = _hand_rest(body, side)
    axis = np.cross(along, palm)
    for finger in range(1, 6):
        share = 0.35 if finger == 1 else 1.0
        for k in range(1, 4):
            name = f"finger{finger}-{k}.{side}"
            if name in body.names:
                bend = np.radians(degrees) * share * (0.4 + 0.6 * k)
                turns[body.names.index(name)] = hand @ about_vector(axis, bend)


def _trunk(body: Body, turns: Array, p: Posture) -> tuple[Array, Array]:
    pelvis = about("y", -p.pelvis_lean) @ about("x", p.pelvis_bend) @ about("z", -p.pelvis_turn)
    thorax = about("y", -p.side_bend) @ about("x", p.forward_bend) @ about("z", -p.shoulder_turn)
    for bone in range(len(body.names)):
        turns[bone] = pelvis
    for name, share in zip(
        ("spine05", "spine04", "spine03", "spine02", "spine01"),
        np.array([0.2, 0.4, 0.6, 0.8, 1.0]) ** p.spine_low,
        strict=True,
    ):
        _descend(body, turns, name, part_way(pelvis, thorax, share))
    head = about("z", -p.head_turn) @ about("y", -p.head_tilt) @ about("x", p.head_bend)
    for name, share in zip(
        ("neck01", "neck02", "neck03", "head"),
        np.array([0.25, 0.5, 0.8, 1.0]) ** p.neck_low,
        strict=True,
    ):
        _descend(body, turns, name, part_way(thorax, head, share))
    return pelvis, thorax


# An arm as long as this share of its length reaches; folded to less by so much more, its shoulder
# goes back by as much as a reaching one's forward. Common practice, no source.
_REACHING, _FOLDED = 0.97, 0.3
_GIRDLE_BACK_DEG, _GIRDLE_FORWARD_DEG = -32.0, 38.0


def _clavicles(
    body: Body, turns: Array, p: Posture, thorax: Array, hands: Array, folded: dict[str, float]
) -> None:
    """Let the shoulder girdle follow the arm: forward across the chest, up overhead.

    A folded arm's shoulder goes back; each girdle also has a will of its own.
    """
    own = {"L": (p.lead_girdle, p.lead_lift), "R": (p.trail_girdle, p.trail_lift)}
    for side, sign in (("L", 1.0), ("R", -1.0)):
        local = unit(hands) * np.array([sign, 1.0, 1.0])  # outward, back, up
        share = float(np.clip(-local[1] - 0.35 * local[0], 0.0, 1.0)) - 1.5 * folded[side]
        forward = np.clip(
            share * p.protraction + own[side][0], _GIRDLE_BACK_DEG, _GIRDLE_FORWARD_DEG
        )
        up = float(np.clip(local[2] + 0.3, 0.0, 1.2)) * p.elevation + own[side][1]
        # A turn made farther out carries the shoulder less far: it is made by that much larger.
        arm = body.at(f"upperarm01.{side}")
        inner = float(np.linalg.norm(arm - body.at(f"clavicle.{side}")))
        outer = float(np.linalg.norm(arm - body.at(f"shoulder01.{side}")))
        whole = 1.0 / (p.girdle_share + (1.0 - p.girdle_share) * outer / inner)
        forward, up = forward * whole, up * whole
        here = about("z", -sign * p.girdle_share * forward)
        here = thorax @ here @ about("y", -sign * p.girdle_share * up)
        _descend(body, turns, f"clavicle.{side}", here)
        rest = 1.0 - p.girdle_share
        there = here @ about("z", -sign * rest * forward) @ about("y", -sign * rest * up)
        _descend(body, turns, f"shoulder01.{side}", there)


def _hands_at(shoulder: dict[str, Array], direction: Array, lead_full: float) -> Array:
    """Walk the grip out along its direction until the lead arm is as long as asked for."""
    middle = (shoulder["L"] + shoulder["R"]) / 2
    low, high = 0.05, 1.6
    for _ in range(24):
        r = (low + high) / 2
        if np.linalg.norm(middle + r * direction - shoulder["L"]) > lead_full:
            high = r
        else:
            low = r
    return middle + low * direction


def _arms(body: Body, turns: Array, p: Posture, thorax: Array, root: Array) -> tuple[Array, Array]:
    length = {
        s: float(
            np.linalg.norm(body.at(f"lowerarm01.{s}") - body.at(f"upperarm01.{s}"))
            + np.linalg.norm(body.at(f"wrist.{s}") - body.at(f"lowerarm01.{s}"))
        )
        for s in "LR"
    }
    azimuth, elevation = np.radians(p.hands_azimuth), np.radians(p.hands_elevation)
    # 0 elevation hangs along the trunk, 90 is square to the chest; + azimuth to the trail side.
    local = np.array(
        [
            -np.sin(elevation) * np.sin(azimuth),
            -np.sin(elevation) * np.cos(azimuth),
            -np.cos(elevation),
        ]
    )
    folded = {"L": 0.0, "R": 0.0}
    for _ in range(3):  # the girdle moves the shoulders, the shoulders move the hands
        _clavicles(body, turns, p, thorax, local, folded)
        heads = _follow(body, turns, root)
        shoulder = {s: heads[body.names.index(f"upperarm01.{s}")] for s in "LR"}
        hands = _hands_at(shoulder, thorax @ local, p.reach * length["L"])
        for s in "LR":
            reach = float(np.linalg.norm(hands - shoulder[s])) / length[s]
            folded[s] = float(np.clip((_REACHING - reach) / _FOLDED, 0.0, 1.0))
    upper = {
        s: float(np.linalg.norm(body.at(f"lowerarm01.{s}") - body.at(f"upperarm01.{s}")))
        for s in "LR"
    }
    lower = {s: length[s] - upper[s] for s in "LR"}
    direction = thorax @ local
    shaft = unit(np.asarray(p.shaft))
    palm_m = {
        s: 0.95 * float(np.linalg.norm(body.at(f"finger3-1.{s}") - body.at(f"wrist.{s}")))
        for s in "LR"
    }
    wrist = {"L": hands}
    hand_l = (direction, direction)  # the lead hand's direction and palm, set on its turn
    turn: dict[str, Array] = {}
    for side in ("L", "R"):
        out = 1.0 if side == "L" else -1.0
        swing = p.lead_elbow if side == "L" else p.trail_elbow
        down_and_back = thorax @ np.array([0.25 * out, 0.45, 0.0]) - 0.8 * UP
        for _ in range(3):
            if side == "R" and "R" not in wrist:
                wrist["R"] = wrist["L"] + 0.08 * shaft
            line = wrist[side] - shoulder[side]
            pole = about_vector(line, np.radians(out * swing)) @ down_and_back
            elbow = _two_bones(shoulder[side], wrist[side], upper[side], lower[side], pole)
            reached = unit(wrist[side] - shoulder[side]) * min(
                float(np.linalg.norm(wrist[side] - shoulder[side])),
                upper[side] + lower[side] - 1e-4,
            )
            end = shoulder[side] + reached
            forearm = unit(end - elbow)
            along = unit(forearm + (p.lead_cock if side == "L" else p.trail_cock) * shaft)
            normal = np.cross(along, shaft) * (1.0 if side == "L" else -1.0)
            if np.linalg.norm(normal) < 0.05:
                normal = np.cross(along, UP)
            rest_along, rest_palm = _hand_rest(body, side)
            turn[side] = frame(along, normal) @ frame(rest_along, rest_palm).T
            if side == "L":
                break
            grip = wrist["L"] + palm_m["L"] * hand_l[0] + p.palm_off_m * hand_l[1]
            wrist["R"] = grip + p.hands_apart * shaft - palm_m["R"] * along
            wrist["R"] = wrist["R"] - p.palm_off_m * unit(normal)
        if side == "L":
            wrist["L"] = end
            hand_l = (along, unit(normal))
        _limb(
            body,
            turns,
            (
                f"upperarm01.{side}",
                f"upperarm02.{side}",
                f"lowerarm01.{side}",
                f"lowerarm02.{side}",
                f"wrist.{side}",
            ),
            shoulder[side],
            elbow,
            end,
            pole,
            turns[body.names.index(f"shoulder01.{side}")],
            p.arm_twist,
        )
        hand = turn[side]
        fore = turns[body.names.index(f"lowerarm01.{side}")]
        bent = least_turn(forearm, along)
        twist = twist_about(bent.T @ hand @ fore.T, forearm)
        turns[body.names.index(f"lowerarm02.{side}")] = about_vector(forearm, 0.6 * twist) @ fore
        _descend(body, turns, f"wrist.{side}", hand)
        _curl(body, turns, side, hand, p.finger_curl)
    grip = wrist["L"] + palm_m["L"] * hand_l[0] + p.palm_off_m * hand_l[1]
    return grip - 0.05 * shaft, shaft


def _legs(body: Body, turns: Array, p: Posture, pelvis: Array) -> Array:
    """Place the feet, then the pelvis over them, then bend the knees to fit."""
    scale = float(np.ptp(body.heads[:, 2])) / 1.6
    ankle_up = float(body.at("foot.L")[2] - body.heads[:, 2].min()) + 0.02
    ankles, feet = {}, {}
    for side, sign, flare, lift in (
        ("L", 1.0, p.lead_flare, 0.0),
        ("R", -1.0, p.trail_flare, p.heel_lift),
    ):
        rest_toe = body.at(f"toe1-1.{side}") if f"toe1-1.{side}" in body.names else None
        rest_forward = (
            np.array(
                [
                    rest_toe[0] - body.at(f"foot.{side}")[0],
                    rest_toe[1] - body.at(f"foot.{side}")[1],
                    0.0,
                ]
            )
            if rest_toe is not None
            else np.array([0.0, -1.0, 0.0])
        )
        square = least_turn(rest_forward, np.array([0.0, -1.0, 0.0]))
        foot = about("z", sign * flare) @ about("x", -lift * 0.0) @ square
        ankle = np.array([sign * p.stance / 2 * scale, 0.0, ankle_up])
        if lift > 0 and rest_toe is not None:
            toe = ankle + foot @ (rest_toe - body.at(f"foot.{side}"))
            axis = foot @ square.T @ np.array([1.0, 0.0, 0.0])
            foot = about_vector(axis, np.radians(lift)) @ foot
            foot = about("z", -sign * 0.0 + p.foot_spin) @ foot
            ankle = toe - foot @ (rest_toe - body.at(f"foot.{side}"))
        ankles[side], feet[side] = ankle, foot
    upper = {
        s: float(np.linalg.norm(body.at(f"lowerleg01.{s}") - body.at(f"upperleg01.{s}")))
        for s in "LR"
    }
    lower = {
        s: float(np.linalg.norm(body.at(f"foot.{s}") - body.at(f"lowerleg01.{s}"))) for s in "LR"
    }
    offset = {s: pelvis @ (body.at(f"upperleg01.{s}") - body.at("root")) for s in "LR"}
    level = np.array([p.pelvis_shift * scale, p.pelvis_back * scale, 0.0])
    heights = []
    for side, flex in (("L", p.lead_knee), ("R", p.trail_knee)):
        a, b, c = upper[side], lower[side], np.radians(180.0 - flex)
        reach = np.sqrt(a * a + b * b - 2 * a * b * np.cos(c))
        flat = level + offset[side] - ankles[side]
        flat[2] = 0.0
        drop = reach**2 - float(flat @ flat)
        heights.append(ankles[side][2] - offset[side][2] + np.sqrt(max(drop, 0.05)))
    level[2] = min(heights)
    for side, sign in (("L", 1.0), ("R", -1.0)):
        hip = level + offset[side]
        toward = feet[side] @ least_turn(np.array([0.0, -1.0, 0.0]), np.array([0.0, -1.0, 0.0]))
        forward = pelvis @ np.array([sign * 0.25, -1.0, 0.0]) + np.array(
            [p.knee_in if side == "R" else 0.0, 0.0, 0.0]
        )
        foot_forward = toward @ np.array([0.0, -1.0, 0.0])
        pole = unit(unit(forward) + unit(foot_forward * np.array([1.0, 1.0, 0.0]) + 1e-6))
        end = hip + unit(ankles[side] - hip) * min(
            float(np.linalg.norm(ankles[side] - hip)), upper[side] + lower[side] - 1e-4
        )
        knee = _two_bones(hip, end, upper[side], lower[side], pole)
        _limb(
            body,
            turns,
            (
                f"upperleg01.{side}",
                f"upperleg02.{side}",
                f"lowerleg01.{side}",
                f"lowerleg02.{side}",
                f"foot.{side}",
            ),
            hip,
            knee,
            end,
            pole,
            pelvis,
        )
        _descend(body, turns, f"foot.{side}", feet[side])
    return level


def pose(body: Body, p: Posture) -> Posed:
    """Turn every bone of `body` into the posture; joints come out in the world."""
    turns = np.repeat(np.eye(3)[None], len(body.names), axis=0)
    pelvis, thorax = _trunk(body, turns, p)
    root = _legs(body, turns, p, pelvis)
    butt, shaft = _arms(body, turns, p, thorax, root)
    return Posed(turns=turns, heads=_follow(body, turns, root), butt=butt, shaft=shaft)


def skin(vertices: Array, weights: Array, weight_bones: Array, body: Body, posed: Posed) -> Array:
    """Carry rest vertices (V, 3) into the posture by linear blend skinning."""
    shift = posed.heads - np.einsum("bij,bj->bi", posed.turns, body.heads)
    matrices = np.concatenate([posed.turns, shift[:, :, None]], axis=2)  # (B, 3, 4)
    mixed = np.einsum("vk,vkij->vij", weights, matrices[weight_bones])
    return np.einsum("vij,vj->vi", mixed[:, :, :3], vertices) + mixed[:, :, 3]
