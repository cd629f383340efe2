"""Build findings of an invented lesson, seeded, with pictures drawn by Pillow.

The numbers are invented; the verdicts on them are the evidence package's own.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw

from lessonmark.evidence.compare import adjust_focus, compare
from lessonmark.evidence.wording import verdict_sentence
from lessonmark.lessons.findings import (
    ClipFinding,
    ClipProblem,
    DrawnLine,
    Findings,
    FocusFinding,
    PicturePair,
    PlayerFacts,
    SideEffect,
    StageValues,
    StillPicture,
    SwingFinding,
)
from lessonmark.measures.measured import MeasureAt, Measured, Refused
from lessonmark.media.clip import ClipInfo
from lessonmark.media.frames import read_frame_nearest
from lessonmark.media.probe import probe_clip
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Handedness, Position, Stage, View

WIDTH, HEIGHT = 360, 480
TIMES_S = dict(
    zip(Position, (0.4, 0.75, 0.95, 1.25, 1.36, 1.44, 1.52, 1.58, 1.66, 2.2), strict=True)
)


def build_findings(
    pictures: Path,
    *,
    before: int = 5,
    after: int = 5,
    drill: int = 3,
    seed: int = 7,
) -> Findings:
    """Build a lesson: side bend has grown, the pelvis has not moved less, hinge is not settled."""
    rng = np.random.default_rng(seed)
    counts = {Stage.BEFORE: before, Stage.DRILL: drill, Stage.AFTER: after}
    side_bend = _focus(
        rng,
        counts,
        MeasureAt(measure="side_bend", position=Position.P6),
        ("side bend at P6", "deg", "more", 3.0),
        {Stage.BEFORE: 11.0, Stage.DRILL: 19.0, Stage.AFTER: 19.4},
        1.6,
        (pictures, -11.0, -19.4),
    )
    shift = _focus(
        rng,
        counts,
        MeasureAt(measure="pelvis_shift", position=Position.P4),
        ("hip shift at P4", "cm", "less", 3.0),
        {Stage.BEFORE: 4.0, Stage.DRILL: 3.8, Stage.AFTER: 3.9},
        0.7,
        (pictures, -9.0, -9.4),
    )
    hinge = _focus(
        rng,
        counts,
        MeasureAt(measure="hinge", position=Position.P6),
        ("wrist angle at P6", "deg", "", 5.0),
        {Stage.BEFORE: 104.0, Stage.AFTER: 108.0},
        6.0,
        None,
    )
    sides = tuple(
        _side(rng, counts, MeasureAt(measure=measure, position=position), name, unit, means, sd)
        for measure, position, name, unit, means, sd in (
            ("trunk_lean", Position.P7, "trunk lean at P7", "deg", (6.0, 11.5), 1.2),
            ("head_rise", Position.P7, "head rise at P7", "cm", (1.0, 3.2), 0.8),
            ("tempo", None, "tempo", "", (2.9, 3.2), 0.12),
        )
    )
    return Findings(
        lesson_title="Keeping the bend through delivery",
        date="2026-05-14",
        player=PlayerFacts(
            name="Ada Demo", handedness=Handedness.RIGHT, stature_cm=172, birth_year=1988
        ),
        club="7 iron",
        club_length_cm=94.0,
        drill="Soft noodle behind the trail hip: brush past it on the way down",
        clips=tuple(_clip(stage, n) for stage, n in counts.items() if n),
        problems=(
            ClipProblem(
                clip="after/face-on/clip_09.mp4",
                what="the video stops in the middle of a frame",
                do="copy it from the phone again; the other clips of this lesson were kept",
            ),
        ),
        focus=(side_bend, shift, hinge),
        side_effects=sides,
        not_measured={
            "down-the-line: pelvis_out": Refused(
                reason="no down-the-line clip was filmed after the drill",
                do="film five swings from behind the hands next time",
            ),
            "face-on: shaft_lean": Refused(reason="the shaft was blurred away at impact"),
        },
        cautions=(
            "Use soft obstacles only, and keep two club lengths free around you.",
            "Stop if anything hurts; your coach's and clinician's word comes first.",
            "Warm up first, and count the balls after a lay-off.",
        ),
        scale_note="Centimetres come from the player's stature of 172 cm, ± 2 %.",
        software="lessonmark 0.1.0",
        notes=("The camera stood still between before and after.",),
    )


def _stages(rng, counts, means, sd, se):  # type: ignore[no-untyped-def]
    made = []
    for stage, n in counts.items():
        if stage not in means:
            continue
        values = rng.normal(means[stage], sd, n)
        values += (means[stage] - values.mean()) if n else 0.0
        made.append(
            StageValues(
                stage=stage,
                swing_ids=tuple(f"{stage}/face-on/clip_{k:02d}#1" for k in range(n)),
                values=tuple(
                    Measured(value=float(v), se=se * (0.8 + 0.1 * (k % 5)), systematic=0.5)
                    for k, v in enumerate(values)
                ),
            )
        )
    return tuple(made)


def _change(stages, smallest, direction):  # type: ignore[no-untyped-def]
    by_stage = {s.stage: s.values for s in stages}
    change = compare(
        by_stage[Stage.BEFORE],
        by_stage[Stage.AFTER],
        smallest_worth=smallest,
        direction=direction,
        camera_moved=False,
    )
    return adjust_focus([change])[0]


def _focus(rng, counts, at, words, means, sd, drawn):  # type: ignore[no-untyped-def]
    name, unit, direction, smallest = words
    stages = _stages(rng, counts, means, sd, 0.45 * sd)
    pair = None
    if drawn is not None:
        pictures, bend_before, bend_after = drawn
        pair = PicturePair(
            before=_still(pictures, at, Stage.BEFORE, bend_before, name, unit, stages),
            after=_still(pictures, at, Stage.AFTER, bend_after, name, unit, stages),
        )
    change = _change(stages, smallest, direction)
    return FocusFinding(
        at=at,
        view=View.FACE_ON,
        name=name,
        unit=unit,
        direction=direction,
        smallest_worth=smallest,
        stages=stages,
        change=change,
        sentence=verdict_sentence(change, name, unit),
        pictures=pair,
    )


def _side(rng, counts, at, name, unit, means, sd):  # type: ignore[no-untyped-def]
    two = {Stage.BEFORE: counts[Stage.BEFORE], Stage.AFTER: counts[Stage.AFTER]}
    stages = _stages(rng, two, dict(zip(two, means, strict=True)), sd, 0.4 * sd)
    return SideEffect(
        at=at,
        view=View.FACE_ON,
        name=name,
        unit=unit,
        stages=stages,
        change=_change(stages, 0.0, ""),
        sentence=f"{name} may have moved too: a lead to look at, not a finding.",
    )


def _still(pictures, at, stage, lean, name, unit, stages):  # type: ignore[no-untyped-def]
    """A jointed figure in front of grass, leaning by `lean` degrees."""
    image = Image.new("RGB", (WIDTH, HEIGHT), (186, 200, 208))
    draw = ImageDraw.Draw(image)
    draw.rectangle((0, 380, WIDTH, HEIGHT), fill=(126, 148, 104))
    draw.rectangle((0, 300, WIDTH, 380), fill=(150, 168, 140))
    hip = (180.0, 270.0)
    t = math.radians(lean)
    shoulder = (hip[0] + 120 * math.sin(t), hip[1] - 120 * math.cos(t))
    head = (hip[0] + 165 * math.sin(t), hip[1] - 165 * math.cos(t))
    skin, shirt, dark = (214, 178, 150), (84, 98, 120), (52, 50, 56)
    for foot in (140, 225):
        draw.line((*hip, foot, 430), fill=dark, width=30)
    draw.line((*hip, *shoulder), fill=shirt, width=62)
    draw.ellipse((head[0] - 24, head[1] - 28, head[0] + 24, head[1] + 28), fill=skin)
    hands = (shoulder[0] + 10, shoulder[1] + 110)
    draw.line((shoulder[0] - 24, shoulder[1] + 8, *hands), fill=shirt, width=20)
    draw.line((shoulder[0] + 24, shoulder[1] + 8, *hands), fill=shirt, width=20)
    draw.line((*hands, hands[0] - 130, hands[1] + 6), fill=(230, 230, 232), width=4)
    jpeg = f"{at.measure}-{at.position}-{stage}.jpg"
    image.save(pictures / jpeg, quality=88)
    values = next(s for s in stages if s.stage is stage).values
    said = f"{values[0].value:.1f} ± {values[0].se:.1f}°" if values else ""
    return StillPicture(
        swing_id=f"{stage}/face-on/clip_00#1",
        position=at.position,
        jpeg=jpeg,
        width=WIDTH,
        height=HEIGHT,
        lines=(
            DrawnLine(points=(hip, shoulder), role="measured", label=said),
            DrawnLine(points=(hip, (hip[0], hip[1] - 140)), role="reference"),
        ),
        caption=f"{stage}, swing 1: {name} {said}",
    )


def _clip(stage: Stage, n: int) -> ClipFinding:
    clip = f"{stage}/face-on/clip_00.mp4"
    return ClipFinding(
        clip=clip,
        sha256=f"{stage.value:0<64}".encode().hex()[:64],
        stage=stage,
        view=View.FACE_ON,
        fps_filmed=120.0,
        width=540,
        height=960,
        duration_s=3.0,
        track="0" * 16,
        handedness_seen=Handedness.RIGHT,
        scale=None,
        camera=None,
        swings=tuple(
            SwingFinding(
                swing_id=f"{stage}/face-on/clip_{k:02d}#1",
                clip=f"{stage}/face-on/clip_{k:02d}.mp4",
                number=1,
                stage=stage,
                view=View.FACE_ON,
                positions=SwingPositions(
                    found={
                        p: PositionTime(position=p, time=Time(s=s, se=0.004), how="shaft")
                        for p, s in TIMES_S.items()
                    }
                ),
                values={"side_bend@P6": Measured(value=12.0, se=1.0, systematic=0.5)},
                refused={"shaft_lean@P7": Refused(reason="the shaft was blurred away")},
                toward=1,
                ball=None,
                span_s=(0.3, 2.4),
            )
            for k in range(n)
        ),
    )


def film(findings: Findings, pictures: Path, demo: Path) -> Findings:
    """Give the first focus measure real clips and positions: the demo's, with their true times."""
    truth = json.loads((demo / "truth.json").read_text(encoding="utf-8"))
    clips = []
    stills = {}
    for stage in (Stage.BEFORE, Stage.AFTER):
        name = f"{stage}/face-on/clip_00.mp4"
        events = {Position(key): s for key, s in truth[name]["events"].items()}
        path = demo / "lesson" / name
        info = probe_clip(path)
        clip = _clip(stage, 1)
        swing = replace(
            clip.swings[0],
            positions=SwingPositions(
                found={
                    p: PositionTime(position=p, time=Time(s=s, se=0.004), how="true time")
                    for p, s in events.items()
                }
            ),
            span_s=(events[Position.P1] - 0.3, events[Position.P10]),
        )
        clips.append(
            replace(
                clip,
                clip=name,
                width=info.width,
                height=info.height,
                fps_filmed=info.fps_filmed,
                duration_s=info.duration_s,
                swings=(swing,),
            )
        )
        stills[stage] = _cut(info, events[Position.P6], pictures, stage, swing.swing_id)
    first = findings.focus[0]
    pair = PicturePair(before=stills[Stage.BEFORE], after=stills[Stage.AFTER])
    return replace(
        findings,
        clips=tuple(clips),
        focus=(replace(first, pictures=pair), *findings.focus[1:]),
    )


def _cut(info: ClipInfo, s: float, pictures: Path, stage: Stage, swing_id: str) -> StillPicture:
    """Cut the middle of the frame, three wide to four high; the line is only a line."""
    frame = read_frame_nearest(info, s).image
    tall = 0.9 * info.height
    left, top = (info.width - 0.75 * tall) / 2, 0.05 * info.height
    crop = (left, top, left + 0.75 * tall, top + tall)
    scale = 960 / tall
    turn = np.array([[scale, 0, -left * scale], [0, scale, -top * scale]])
    turn[:, 2] += 0.5 * scale - 0.5
    cut = cv2.warpAffine(frame, turn, (720, 960), borderMode=cv2.BORDER_REPLICATE)
    Image.fromarray(cut).save(pictures / f"real-{stage}.jpg", quality=85)
    return StillPicture(
        swing_id=swing_id,
        position=Position.P6,
        jpeg=f"real-{stage}.jpg",
        width=720,
        height=960,
        lines=(
            DrawnLine(points=((360, 560), (380, 330)), role="measured"),
            DrawnLine(points=((360, 560), (360, 330)), role="reference"),
        ),
        caption=f"{stage}, swing 1",
        crop=crop,
    )
