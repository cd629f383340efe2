"""What a wrong camera set-up costs, by simulation, and the filming guide around the table.

    python bench/filming.py [--write]

A golfer of sticks in space (invented, built on handbook segment fractions) is projected with
OpenCV's `projectPoints`, an implementation that is not ours, by a camera that stands wrong in one
way at a time. The measures' own functions read the picture as it is, with the scale of the hips:
the cost is what they read less what they read off the square plane. Frame rate: the error of a
frame's time (rectangular, GUM 4.3.7) times published or usual speeds.
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path

import cv2
import numpy as np

from lessonmark.measures.posture import Posture
from lessonmark.measures.registry import entry
from lessonmark.words import View

DOCS = Path(__file__).parents[1] / "docs"
STATURE = 175.0
# Share of stature (Drillis & Contini, in Winter 2009, fig. 4.1), but for half widths between
# joint centres, which are narrower than the breadths printed there.
THIGH, SHANK, TRUNK, UPPER, FORE = 0.245, 0.246, 0.288, 0.186, 0.146
HALF_HIPS, HALF_SHOULDERS = 0.055, 0.11
CLUB_CM = 95.0
FOCAL_PX, WIDTH, HEIGHT = 1500.0, 1080, 1920
BEST = {"yaw": 0.0, "roll": 0.0, "height": 100.0, "distance": 450.0}
SETTINGS = [
    ("4.5 m, 1 m high, square", {}),
    ("5° off square", {"yaw": 5.0}),
    ("10° off", {"yaw": 10.0}),
    ("15° off", {"yaw": 15.0}),
    ("20° off", {"yaw": 20.0}),
    ("1° rolled", {"roll": 1.0}),
    ("3° rolled", {"roll": 3.0}),
    ("5° rolled", {"roll": 5.0}),
    ("on the ground (20 cm)", {"height": 20.0}),
    ("held high (180 cm)", {"height": 180.0}),
    ("2.5 m away", {"distance": 250.0}),
    ("8 m away", {"distance": 800.0}),
]
MEASURES = {
    View.FACE_ON: [
        ("shoulder_tilt", "P7"),
        ("pelvis_tilt", "P7"),
        ("trunk_lean", "P7"),
        ("side_bend", "P7"),
        ("trail_elbow_flex", "P4"),
        ("lead_knee_flex", "P7"),
        ("pelvis_shift", "P7"),
        ("pelvis_rise", "P7"),
        ("head_shift", "P7"),
        ("hand_radius", "P7"),
        ("handle_offset", "P7"),
    ],
    View.DOWN_THE_LINE: [
        ("forward_bend", "P1"),
        ("forward_bend", "P7"),
        ("neck_flex", "P1"),
        ("trail_knee_flex", "P1"),
        ("pelvis_out", "P7"),
        ("pelvis_rise", "P7"),
        ("head_rise", "P7"),
    ],
}


def unit(vector):
    return vector / np.linalg.norm(vector)


def two_links(a, b, first, second, toward):
    """Place the joint between two links of given lengths, bent toward a direction."""
    gap = b - a
    reach = min(np.linalg.norm(gap), 0.999 * (first + second))
    way = unit(gap)
    along = (first**2 - second**2 + reach**2) / (2 * reach)
    off = math.sqrt(max(first**2 - along**2, 0.0))
    return a + along * way + off * unit(toward - (toward @ way) * way)


def golfer(*, hips, hip_turn, turn, bend, side, hands, hips_tilt=0.0):
    """Joints in cm, (along, out, up), of a right-hander.

    hips: middle of the hips; hip_turn, turn: deg away from the target; bend, side: the trunk's
    lean forward and to the trail side, deg; hands: the middle of the grip.
    """
    h = STATURE

    def across(angle, tilt, half):
        a, t = math.radians(angle), math.radians(tilt)
        way = np.array([math.cos(a) * math.cos(t), math.sin(a) * math.cos(t), math.sin(t)])
        return half * h * way

    lean = [-math.tan(math.radians(side)), math.tan(math.radians(bend)), 1.0]
    chest = hips + TRUNK * h * unit(np.array(lean))
    hip, shoulder = across(hip_turn, hips_tilt, HALF_HIPS), across(turn, side, HALF_SHOULDERS)
    joints = {
        "lead_hip": hips + hip,
        "trail_hip": hips - hip,
        "lead_shoulder": chest + shoulder,
        "trail_shoulder": chest - shoulder,
    }
    ear = chest + np.array([0.0, 0.05 * h, 0.13 * h])
    for sign, name in ((1, "lead"), (-1, "trail")):
        joints[f"{name}_ear"] = ear + sign * np.array([7.5, 0.0, 0.0])
        joints[f"{name}_ankle"] = np.array([sign * 21.0, 8.0, 0.039 * h])
        joints[f"{name}_knee"] = two_links(
            joints[f"{name}_hip"], joints[f"{name}_ankle"], THIGH * h, SHANK * h,
            np.array([0.2 * sign, 1.0, 0.0]),
        )  # fmt: skip
        joints[f"{name}_wrist"] = hands + np.array([4.0 * sign, 0.0, 6.0])
        joints[f"{name}_elbow"] = two_links(
            joints[f"{name}_shoulder"], joints[f"{name}_wrist"], UPPER * h, FORE * h,
            np.array([-0.5, -0.3, -1.0]),
        )  # fmt: skip
    joints["grip_mid"] = hands
    return joints


def swing():
    """The golfer at P1, P4 and P7; the ball lies 75 cm out from the ankles' line."""
    at = {
        "P1": golfer(
            hips=np.array([0.0, -8.0, 90.0]), hip_turn=0, turn=0, bend=36, side=6,
            hands=np.array([4.0, 36.0, 72.0]),
        ),
        "P4": golfer(
            hips=np.array([-1.0, -8.0, 87.0]), hip_turn=43, turn=92, bend=28, side=2,
            hands=np.array([-38.0, -12.0, 150.0]), hips_tilt=-12,
        ),
        "P7": golfer(
            hips=np.array([9.0, -5.0, 91.0]), hip_turn=-42, turn=-22, bend=34, side=16,
            hands=np.array([12.0, 34.0, 76.0]), hips_tilt=8,
        ),
    }  # fmt: skip
    for joints in at.values():
        joints["ball"] = np.array([2.0, 75.0, 2.1])
    for name, head in (("P1", [0.0, 74.0, 3.0]), ("P7", [2.0, 74.0, 4.0])):
        grip = at[name]["grip_mid"]
        at[name]["grip_butt"] = grip + 10.0 * unit(grip - np.array(head))
    at["P4"]["grip_butt"] = at["P4"]["grip_mid"] + np.array([-6.0, 0.0, -8.0])
    return at


def picture(joints, view, *, yaw, roll, height, distance):
    """Project joints as a camera would that stands wrong, px (right, down)."""
    target = np.array([0.0, 0.0, 90.0])  # the hips' place: where the camera looks, level
    turn = math.radians(yaw)
    if view is View.FACE_ON:
        place = target + distance * np.array([-math.sin(turn), math.cos(turn), 0.0])
    else:
        place = target + distance * np.array([-math.cos(turn), -math.sin(turn), 0.0])
    place[2] = height
    ahead = unit(target - place)
    up = np.array([0.0, 0.0, 1.0])
    # (along, out, up) is left-handed for a right-hander, so right is up x ahead, not ahead x up.
    right = unit(np.cross(up, ahead))
    down = -np.cross(ahead, right)
    down = down if down[2] < 0 else -down
    frame = np.stack([right, down, ahead])
    # OpenCV wants a proper rotation: mirror the world, whose handedness is a matter of naming.
    mirror = np.diag([-1.0, 1.0, 1.0]) if np.linalg.det(frame) < 0 else np.eye(3)
    rotation = frame @ mirror
    spin = math.radians(roll)
    rolled = np.array(
        [[math.cos(spin), -math.sin(spin), 0], [math.sin(spin), math.cos(spin), 0], [0, 0, 1]]
    )
    rotation = rolled @ rotation
    shift = -rotation @ (mirror @ place)
    matrix = np.array([[FOCAL_PX, 0, WIDTH / 2], [0, FOCAL_PX, HEIGHT / 2], [0, 0, 1.0]])
    names = list(joints)
    points = np.array([mirror @ joints[name] for name in names])
    px, _ = cv2.projectPoints(points, cv2.Rodrigues(rotation)[0], shift, matrix, None)
    return dict(zip(names, px[:, 0], strict=True))


def flat(joints, view):
    """Joints dropped square on the view's plane, cm."""
    plane = 0 if view is View.FACE_ON else 1
    return {name: np.array([p[plane], p[2]]) for name, p in joints.items()}


def read(joints, view, setting):
    """Joints as read off a picture with the scale of the hips at address, cm."""
    px = picture(joints, view, **setting)
    px_per_cm = FOCAL_PX / setting["distance"]
    return {
        name: np.array([p[0] - WIDTH / 2, HEIGHT / 2 - p[1]]) / px_per_cm for name, p in px.items()
    }


def cost(measure, position, view, wrong):
    at = swing()
    setting = BEST | wrong

    def value(points):
        start = Posture.of(points["P1"], view=view)
        return entry(measure).at(Posture.of(points[position], view=view, start=start))

    got = value({name: read(joints, view, setting) for name, joints in at.items()})
    true = value({name: flat(joints, view) for name, joints in at.items()})
    return got - true


def cost_table(view):
    names = [name for name, _ in SETTINGS]
    lines = ["| measure | " + " | ".join(names) + " |", "| --- |" + " ---: |" * len(names)]
    for measure, position in MEASURES[view]:
        unit_name = "°" if entry(measure).unit == "deg" else "cm"
        cells = [f"{cost(measure, position, view, wrong):+.1f}" for _, wrong in SETTINGS]
        cells = [
            cell.replace("-", "−").replace("+0.0", "0.0").replace("−0.0", "0.0") for cell in cells
        ]
        lines.append(f"| {measure}, {position} ({unit_name}) | " + " | ".join(cells) + " |")
    return "\n".join(lines)


RATES = (30, 60, 120, 240)
# Speed of what is measured about impact, a second, and where it is from.
SPEEDS = [
    ("shaft angle, hinge, shaft lean", 2413.0, "°", "Zheng et al. 2008, professionals"),
    ("trail elbow bend", 854.0, "°", "Zheng et al. 2008, professionals"),
    ("handle against ball, hand radius", 800.0, "cm", "hands 8 m/s, from memory"),
    ("hip shift", 60.0, "cm", "common practice, no source"),
    ("trunk lean, side bend", 120.0, "°", "common practice, no source"),
]


def rate_table():
    lines = [
        "| measure at P6, P7, P8 | " + " | ".join(f"{fps} fps" for fps in RATES) + " | speed |",
        "| --- |" + " ---: |" * len(RATES) + " --- |",
    ]
    for name, speed, unit_name, source in SPEEDS:
        cells = [f"± {speed / fps / math.sqrt(12):.1f} {unit_name}" for fps in RATES]
        lines.append(
            f"| {name} | " + " | ".join(cells) + f" | {speed:.0f} {unit_name}/s: {source} |"
        )
    cells = [f"± {1000 / fps / math.sqrt(6):.1f} ms" for fps in RATES]
    lines.append("| a time between two positions | " + " | ".join(cells) + " | |")
    return "\n".join(lines)


# -- drawings ------------------------------------------------------------------------------


def svg(name, width, height, parts, title):
    body = "".join(parts)
    text = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'font-family="sans-serif" font-size="13"><title>{title}</title>'
        f'<rect width="{width}" height="{height}" fill="#fff"/>{body}</svg>\n'
    )
    return name, text


def line(x1, y1, x2, y2, dash="", colour="#222", width=2):
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" stroke="{colour}" '
        f'stroke-width="{width}"{dashed}/>'
    )


def text(x, y, said, anchor="start"):
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}" fill="#222">{said}</text>'


def phone(x, y, angle):
    return (
        f'<g transform="translate({x} {y}) rotate({angle})"><rect x="-12" y="-5" width="24" '
        f'height="10" rx="2" fill="#222"/><path d="M-7 -5 L-26 -70 M7 -5 L26 -70" stroke="#888" '
        f'stroke-dasharray="3 3" fill="none"/></g>'
    )


def feet(x, y, turn):
    shoes = "".join(f'<ellipse cx="{dx}" cy="0" rx="6" ry="14" fill="#555"/>' for dx in (-20, 20))
    return f'<g transform="translate({x} {y}) rotate({turn})">{shoes}</g>'


def drawings():
    above = [
        line(20, 110, 460, 110, "8 5"),
        text(460, 102, "target", "end"),
        '<circle cx="230" cy="110" r="4" fill="none" stroke="#222" stroke-width="2"/>',
        feet(220, 62, 0),
        phone(226, 290, 0),
        line(226, 278, 226, 118, "2 4", "#888", 1),
        text(262, 268, "face-on: square to the"),
        text(262, 284, "chest, 4 to 5 m away"),
        phone(40, 84, 90),
        line(52, 84, 205, 84, "2 4", "#888", 1),
        text(20, 20, "down-the-line: behind the hands, looking"),
        text(20, 36, "along the target line, 4 to 5 m away"),
    ]
    beside = [
        line(20, 220, 460, 220),
        '<circle cx="360" cy="72" r="13" fill="none" stroke="#222" stroke-width="2"/>',
        line(352, 84, 330, 130), line(330, 130, 345, 172), line(345, 172, 335, 218),
        line(350, 92, 372, 138), line(372, 138, 420, 214, "", "#222", 1),
        line(60, 220, 60, 140), line(60, 140, 44, 220), line(60, 140, 76, 220),
        '<rect x="54" y="116" width="12" height="24" rx="2" fill="#222"/>',
        line(72, 128, 350, 128, "2 4", "#888", 1),
        line(30, 128, 30, 220, "", "#888", 1),
        text(24, 92, "80 to 110 cm:"),
        text(24, 108, "the height of the hands"),
        text(90, 150, "level, upright, on a stand"),
        '<rect x="285" y="34" width="160" height="196" fill="none" stroke="#222" '
        'stroke-dasharray="6 4"/>',
        text(445, 26, "club and feet stay in, with room above", "end"),
    ]  # fmt: skip
    return [
        svg("filming-above.svg", 480, 310, above, "Where the two cameras stand, from above"),
        svg("filming-beside.svg", 480, 240, beside, "How high the camera stands, from the side"),
    ]


GUIDE = """# Filming

One page for the bag. What each rule is worth stands in the tables below it.

![Where the two cameras stand, from above](img/filming-above.svg)
![How high the camera stands, from the side](img/filming-beside.svg)

1. **Put the phone on a stand** and leave it there from the first swing to the last. What the
   camera's place adds to a number cancels between before and after only while it does not move.
2. **Upright, level.** Switch the grid on and hold its line to a post or the horizon. A post, a wall
   or the horizon in the picture lets Lessonmark take the roll out.
3. **Face-on:** square to the target line, opposite the chest. **Down-the-line:** behind the hands,
   looking at the target. Lay a stick on the target line; step on it to find the right angle.
4. **Four to five metres away, lens at the height of the hands** (80 to 110 cm). Do not stand close
   and zoom out.
5. **Whole player, whole club**, all the way round, with a club's length of room above.
6. **Slow motion: 240 frames a second** for anything at the ball, 120 at least. In bright light, so
   that the exposure is short: at 1/1000 s a clubhead at 45 m/s smears by 4.5 cm, at 1/240 s by
   19 cm. Lock focus and exposure.
7. **Start two seconds before the takeaway, stop two after the finish.** Sound on. One player in
   the picture, snug clothes, a club that stands out from the ground.
8. Both views at once where there are two phones: then turn and side bend can be had in space.

**Safety first.** Stand the phone where no ball can go and nobody has to walk to it while balls are
struck: face-on it stands beyond the ball's line, so at least four metres off and never ahead of the
ball. Nobody within two club lengths of the player. A film of a person is private: ask first, and
for a minor ask a guardian.

**Is the camera square?** One clip cannot tell a camera that is 10° off from a player who aims 10°
elsewhere: feet and ball show both alike, to about 4° face-on. Lay an alignment stick on the ground
along the target line, in the picture, and click its two ends: in the viewer under 'Correct by
hand', in `lesson.toml` as `stick = [[x, y], [x, y]]` of one clip (it holds for the clips of that
view and stage), or `lessonmark check CLIP --stick X Y X Y`. That tells it to 2 or 3°, and the
measures are brought back by it. **Where its length is known** (the field beside the button,
`stick_cm = 121.9` beside `stick`, or `--stick-cm`), it gives the centimetres as well, wherever it
lies on the ground: beside the player's height by inverse variance, or alone; and where the two do
not agree, that is said.

**Indoors** the foot of a wall is as long and level as a horizon. It is not taken for one where ball
and feet say that the camera stood elsewhere (face-on they tell its height to about a fifth), nor
where it would put the lens below the knee; height and tilt are then left open, with wider errors.
"""

TABLES = """
## What a wrong set-up costs

Made by `python bench/filming.py --write`: a golfer of sticks, built on handbook segment fractions
(Drillis & Contini, in Winter 2009, fig. 4.1), projected with OpenCV's `projectPoints` (focal length
1500 px, 1080 × 1920) by a camera that is wrong in one way, and read flat. Each cell is what the
picture reads less what it would read square on the plane; one golfer, so the size counts and not
the last digit. The first column is what perspective alone costs a camera that stands well.
Lessonmark takes out most of roll and of perspective and says what is left in each number's error;
the rest cancels between stages that were filmed from one place.

Face-on, without any correction. Off square: the camera has gone round toward the trail side.

{front}

Down-the-line. Off square: the camera stands too far from the ball's line.

{side}

## What frames a second cost

The time of a frame is known to half a frame (standard error: frame time / √12, GUM 4.3.7); a
position between frames is found better than that where the motion is smooth, so this is the cost of
reading the nearest frame.

{rates}
"""


def page():
    return GUIDE + TABLES.format(
        front=cost_table(View.FACE_ON), side=cost_table(View.DOWN_THE_LINE), rates=rate_table()
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="write docs/filming.md and drawings")
    if not parser.parse_args().write:
        print(page())
        return
    (DOCS / "img").mkdir(exist_ok=True)
    for name, drawing in drawings():
        (DOCS / "img" / name).write_text(drawing)
    (DOCS / "filming.md").write_text(page())


if __name__ == "__main__":
    main()
