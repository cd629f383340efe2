"""Accuracy of the whole pipeline on the demo lesson, against demo/truth.json.

    make bench-accuracy

Three tables: measures at P1, P4, P6, P7 and P8; the positions' times; and whether changes that are
truly there are called 'changed', and changes that are not there are not.
"""

from __future__ import annotations

import json
from collections import defaultdict
from pathlib import Path

import numpy as np

from lessonmark.errors import CannotMeasure
from lessonmark.evidence.change import Verdict
from lessonmark.evidence.compare import compare
from lessonmark.lessons.findings import Findings, SwingFinding
from lessonmark.lessons.judging import stage_values
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.posture import Posture
from lessonmark.measures.registry import Measure, catalogue
from lessonmark.pack.analyse import analyse
from lessonmark.words import Position, Stage, View
from measures_truth import ours

DEMO = Path(__file__).parents[1] / "demo"
POSITIONS = (Position.P1, Position.P4, Position.P6, Position.P7, Position.P8)
TRUE_CHANGE = {"deg": 8.0, "cm": 4.0}
NO_TRUE_CHANGE = {"deg": 0.7, "cm": 0.35}
# A change nobody would teach for: asked of the verdict in the third table.
WORTH = {"deg": 2.0, "cm": 1.0}


class Truth:
    """The true values of the demo's swings, by clip."""

    def __init__(self, path: Path) -> None:
        self._clips = json.loads(path.read_text())

    def event(self, clip: str, position: Position) -> float:
        return float(self._clips[clip]["events"][position.value])

    def fps(self, clip: str) -> float:
        return float(self._clips[clip]["fps"])

    def value(self, entry: Measure, swing: SwingFinding, position: Position) -> float | None:
        """The measure's own definition on the true joints, dropped square on the view's plane."""
        if entry.at is None:
            return None
        start = self._posture(swing, Position.P1, None)
        posture = start if position is Position.P1 else self._posture(swing, position, start)
        try:
            return float(entry.at(posture))
        except CannotMeasure:
            return None

    def _posture(self, swing: SwingFinding, position: Position, start: Posture | None) -> Posture:
        plane = 0 if swing.view is View.FACE_ON else 1
        joints = self._clips[swing.clip]["positions"][position.value]["joints3d"]
        points = {ours(name): 100 * np.array([p[plane], p[2]]) for name, p in joints.items()}
        ball = self._clips[swing.clip]["positions"]["P1"]["joints3d"]["ball"]
        points["ball"] = 100 * np.array([ball[plane], ball[2]])  # where it lay
        shaft = points["hosel"] - points["grip_butt"]
        angle = float(np.degrees(np.arctan2(shaft[1], shaft[0])))
        plain = Posture.of(points, view=swing.view, shaft_deg=angle, start=start)
        return plain if start else Posture.of(points, view=swing.view, shaft_deg=angle, start=plain)


def main() -> None:
    """Analyse the demo and print the tables."""
    findings = analyse(DEMO / "lesson").findings
    truth = Truth(DEMO / "truth.json")
    swings = [swing for clip in findings.clips for swing in clip.swings]
    print(f"{len(findings.clips)} clips, {len(swings)} swings, {len(findings.problems)} problems\n")
    measures_table(swings, truth)
    positions_table(swings, truth)
    changes_table(findings, swings, truth)


def measures_table(swings: list[SwingFinding], truth: Truth) -> None:
    print("| view | measure | at | n | bias | RMS error | unit | truth inside 95 % |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    inside_all: list[bool] = []
    squares: dict[str, list[float]] = defaultdict(list)
    for view in View:
        for entry in catalogue():
            if view not in entry.views or entry.is_span:
                continue
            for position in POSITIONS:
                if position not in entry.positions_from(view):
                    continue
                off, inside = [], []
                for swing in swings:
                    key = str(MeasureAt(measure=entry.id, position=position))
                    true = truth.value(entry, swing, position)
                    if swing.view is not view or key not in swing.values or true is None:
                        continue
                    got = swing.values[key]
                    off.append(got.value - true)
                    inside.append(abs(off[-1]) <= 1.96 * got.total_se)
                if not off:
                    continue
                squares[entry.unit] += [o * o for o in off]
                inside_all += inside
                rms = float(np.sqrt(np.mean(np.square(off))))
                print(
                    f"| {view} | {entry.id} | {position} | {len(off)} | {np.mean(off):+.1f} "
                    f"| {rms:.1f} | {entry.unit} | {100 * np.mean(inside):.0f} % |"
                )
    for unit, values in squares.items():
        print(f"\nall in {unit}: RMS {np.sqrt(np.mean(values)):.2f}, n {len(values)}")
    print(f"truth inside the stated 95 % interval: {100 * np.mean(inside_all):.1f} %\n")


def positions_table(swings: list[SwingFinding], truth: Truth) -> None:
    print("| view | position | found | bias ms | RMS ms | RMS frames | within 2 frames | in 1 se |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for view in View:
        mine = [swing for swing in swings if swing.view is view]
        for position in Position:
            off = [
                (
                    swing.positions[position].time.s - truth.event(swing.clip, position),
                    swing.positions[position].time.se,
                    truth.fps(swing.clip),
                )
                for swing in mine
                if position in swing.positions
            ]
            if not off:
                print(f"| {view} | {position} | 0 of {len(mine)} | | | | | |")
                continue
            error, se, fps = np.array(off).T
            print(
                f"| {view} | {position} | {len(off)} of {len(mine)} | {1000 * error.mean():+.1f} "
                f"| {1000 * np.sqrt(np.mean(error**2)):.1f} "
                f"| {np.sqrt(np.mean((error * fps) ** 2)):.2f} "
                f"| {100 * np.mean(np.abs(error) * fps <= 2):.0f} % "
                f"| {100 * np.mean(np.abs(error) <= se):.0f} % |"
            )
    print()


def changes_table(findings: Findings, swings: list[SwingFinding], truth: Truth) -> None:
    there, absent = [], []
    for view in View:
        for entry in catalogue():
            if view not in entry.views or entry.unit not in TRUE_CHANGE:
                continue
            for position in entry.positions_from(view):
                at = MeasureAt(measure=entry.id, position=position)
                true = {
                    stage: [
                        value
                        for swing in swings
                        if swing.view is view
                        and swing.stage is stage
                        and (value := truth.value(entry, swing, position)) is not None
                    ]
                    for stage in (Stage.BEFORE, Stage.AFTER)
                }
                if not all(true.values()):
                    continue
                really = float(np.mean(true[Stage.AFTER]) - np.mean(true[Stage.BEFORE]))
                rows = {row.stage: row.values for row in stage_values(at, view, findings.clips)}
                change = compare(
                    rows[Stage.BEFORE],
                    rows[Stage.AFTER],
                    smallest_worth=WORTH[entry.unit],
                    direction="",
                    camera_moved=False,
                )
                if change.verdict is Verdict.TOO_FEW:
                    continue
                if abs(really) >= TRUE_CHANGE[entry.unit]:
                    there.append((view, at, really, change))
                elif abs(really) <= NO_TRUE_CHANGE[entry.unit]:
                    absent.append((view, at, really, change))
    for title, rows, wrong in (
        ("changes of 8 deg or 4 cm and more", there, lambda v: v is not Verdict.CHANGED),
        ("no true change (within 0.7 deg, 0.35 cm)", absent, lambda v: v is Verdict.CHANGED),
    ):
        called = sum(change.verdict is Verdict.CHANGED for *_, change in rows)
        print(f"{title}: {called} of {len(rows)} called 'changed'")
        for view, at, really, change in rows:
            if wrong(change.verdict):
                print(
                    f"  {view} {at}: true {really:+.1f}, measured {change.difference:+.1f} "
                    f"({change.low:+.1f} to {change.high:+.1f}), {change.verdict}"
                )


if __name__ == "__main__":
    main()
