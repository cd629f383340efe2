"""Rendered swings with truth, as the measures' inputs and as their true values.

The clips' signs differ from the catalogue's: they are converted here, not in the code.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from lessonmark.errors import CannotMeasure
from lessonmark.measures.figure import Figure
from lessonmark.measures.posture import Posture
from lessonmark.measures.registry import Measure
from lessonmark.measures.seen import BallSeen, SwingSeen
from lessonmark.measures.swing import Swing
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Handedness, Position, View


@dataclass(frozen=True)
class TrueClip:
    """One rendered clip's JSON."""

    path: Path
    # Another line of play than the file's X axis, deg round from X to Y, and another ball, m in the
    # file's axes: a golfer who aims and plays it elsewhere, before the same camera.
    aim_deg: float = 0.0
    ball_at: tuple[float, float, float] | None = None
    golfer: int = 0  # which of several such golfers; 0: as filmed

    @cached_property
    def json(self) -> dict[str, Any]:
        return json.loads(self.path.read_text())

    @property
    def name(self) -> str:
        return "/".join(self.path.with_suffix("").parts[-3:])

    @property
    def label(self) -> str:
        """The clip, and which golfer it shows."""
        return f"{self.name} #{self.golfer}" if self.golfer else self.name

    @property
    def view(self) -> View:
        return View(self.json["camera"]["view"])

    @property
    def handedness(self) -> Handedness:
        return Handedness.LEFT if self.json["left_handed"] else Handedness.RIGHT

    @property
    def toward(self) -> int:
        return int(self.json["camera"]["sign_u"])

    @property
    def stature_cm(self) -> float:
        return 100 * float(self.json["meta"]["golfer"]["stature"])

    @property
    def px_per_cm(self) -> float:
        """True scale at the golfer's pelvis at address."""
        return float(self.json["positions"]["P1"]["px_per_m_at_pelvis"]) / 100

    def positions(self, se: float = 0.002) -> SwingPositions:
        """True times, with a nominal error."""
        return SwingPositions(
            found={
                Position(p): PositionTime(
                    position=Position(p), time=Time(s=s, se=se), how="the motion itself"
                )
                for p, s in self.json["events"].items()
            }
        )

    def swing(self, track: xr.Dataset, **known: Any) -> SwingSeen:
        camera = self.json["camera"]
        ball = self.json["joints2d"]["ball"][0]
        given: dict[str, Any] = {
            "positions": self.positions(),
            "ball": BallSeen(x=ball[0], y=ball[1], se_px=1.0),
            "stature_cm": self.stature_cm,
        } | known
        return SwingSeen(
            track=track,
            view=self.view,
            handedness=self.handedness,
            toward=self.toward,
            width=camera["width"],
            height=camera["height_px"],
            fps=float(self.json["fps"]),
            **given,
        )

    def true_track(self, *, noise_px: float = 0.0, seed: int = 0) -> xr.Dataset:
        """The joints as projected, as a track; with white noise where asked."""
        rng = np.random.default_rng(seed)
        joints = self.json["joints2d"]
        names = [ours(n) for n in joints]
        place = np.stack([np.asarray(joints[n], dtype=float) for n in joints], axis=2)
        place = place + rng.normal(0, noise_px, place.shape)
        times = np.asarray(self.json["timestamps"], dtype=float)
        cov = np.zeros((len(times), 2, 2, len(names)))
        cov[:, 0, 0] = cov[:, 1, 1] = max(noise_px, 0.1) ** 2
        butt, head = place[:, :, names.index("grip_butt")], place[:, :, names.index("hosel")]
        shaft = np.unwrap(np.arctan2(-(head - butt)[:, 1], (head - butt)[:, 0]))
        return xr.Dataset(
            {
                "position": (("time", "space", "keypoint"), place),
                "position_cov": (("time", "space", "space_other", "keypoint"), cov),
                "velocity": (
                    ("time", "space", "keypoint"),
                    np.gradient(place, times, axis=0),
                ),
                "visibility": (("time", "keypoint"), np.ones((len(times), len(names)))),
                "shaft_angle": (("time",), shaft),
                "shaft_angle_se": (("time",), np.full(len(times), 0.02)),
            },
            coords={"time": times, "space": ["x", "y"], "keypoint": names},
        )

    # -- truth -----------------------------------------------------------------------------

    def true_posture(self, at: Position | float) -> Posture:
        """The golfer in space, dropped square on the view's plane, cm."""
        s = self.json["events"][at.value] if isinstance(at, Position) else at
        plane = 0 if self.view is View.FACE_ON else 1
        points = {
            ours(name): 100 * np.array([p[plane], p[2]]) for name, p in self._space(s).items()
        }
        shaft = points["hosel"] - points["grip_butt"]
        angle = float(np.degrees(np.arctan2(shaft[1], shaft[0])))
        p1 = self.json["events"]["P1"]
        start = None if s == p1 else self.true_posture(p1)
        plain = Posture.of(points, view=self.view, shaft_deg=angle, start=start)
        if start is None:
            plain = Posture.of(points, view=self.view, shaft_deg=angle, start=plain)
        return Posture(
            view=plain.view,
            look=plain.look,
            shaft_look=plain.shaft_look,
            start_look=plain.start_look,
            shifted=lambda later: self.true_posture(s + later),
        )

    def _space(self, s: float) -> dict[str, list[float]]:
        times = np.asarray(self.json["timestamps"])
        found = {
            name: [float(np.interp(s, times, track[:, i])) for i in range(3)]
            for name, track in self._joints3d.items()
        }
        # 'ball' is where it lay at address, also after it has gone.
        return found | {"ball": list(self._joints3d["ball"][0])}

    @cached_property
    def _joints3d(self) -> dict[str, np.ndarray]:
        tracks = {n: np.asarray(v, dtype=float) for n, v in self.json["joints3d"].items()}
        if self.ball_at is not None:
            tracks["ball"] = np.tile(self.ball_at, (len(tracks["ball"]), 1))
        return {n: self.on_line(track) for n, track in tracks.items()}

    def on_line(self, points: np.ndarray) -> np.ndarray:
        """Turn points (n, 3) of the file's axes to the line of play."""
        c, s = np.cos(np.radians(self.aim_deg)), np.sin(np.radians(self.aim_deg))
        return points @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])

    def true_value(self, entry: Measure, position: Position | None) -> float | None:
        """The measure of the true motion; None where it has none there."""
        try:
            if entry.at is not None:
                assert position is not None
                return entry.at(self.true_posture(position))
            assert entry.over is not None
            return entry.over(self._true_swing())
        except CannotMeasure:
            return None

    def true_figure(self, at: Position | float) -> Figure:
        """The golfer in space, cm."""
        s = self.json["events"][at.value] if isinstance(at, Position) else at
        points = self._space(s)
        return Figure(points={ours(n): 100 * np.array(p) for n, p in points.items()})

    def to_picture(self, points_m: np.ndarray) -> np.ndarray:
        """Project points (n, 3) m by the clip's own camera, px."""
        camera = self.json["camera"]
        local = points_m @ np.array(camera["R0"]).T + np.array(camera["t0"])
        focal, centre = (np.array([camera[k + a] for a in "xy"]) for k in "fc")
        return local[:, :2] / local[:, 2:] * focal + centre

    def _true_swing(self) -> Swing:
        times = np.asarray(self.json["timestamps"])

        def obstacle() -> tuple[np.ndarray, ...]:
            raise CannotMeasure("no obstacle")

        return Swing(
            time=lambda p: float(self.json["events"][p.value]),
            at=self.true_posture,
            path=lambda name, at: np.array([self.true_posture(float(s))[name] for s in at]),
            times=lambda a, b: tuple(float(t) for t in times[(times >= a) & (times <= b)]),
            obstacle=obstacle,
        )

    def drawn_value(self, measure: str, position: Position) -> float | None:
        """What the clip's own file says of the projected measure, in the catalogue's signs."""
        if "positions" not in self.json:  # our own renderer's clips say less
            return None
        said = self.json["positions"][position.value]["d2"]
        flex = {
            f"{side}_{joint}_flex": f"{joint}_{side}"
            for side in ("lead", "trail")
            for joint in ("elbow", "knee")
        }
        if measure in flex:
            return 180.0 - float(said[flex[measure]])
        if measure in ("shoulder_tilt", "pelvis_tilt"):
            return float(said[measure])
        if measure == "trunk_lean" and self.view is View.FACE_ON:
            return -float(said["trunk_lean"])
        if measure == "forward_bend":
            return float(said["trunk_lean"])
        if measure == "side_bend":
            return -float(said["trunk_lean"]) - float(said["pelvis_tilt"])
        if measure == "hinge":
            return float(said["forearm_shaft"])
        lengths = {
            "pelvis_shift": ("pelvis_disp", 0),
            "pelvis_out": ("pelvis_disp", 0),
            "pelvis_rise": ("pelvis_disp", 1),
            "head_shift": ("head_disp", 0),
            "head_rise": ("head_disp", 1),
        }
        if measure in lengths:
            key, axis = lengths[measure]
            return float(said[key][axis]) / self.px_per_cm
        if measure == "handle_offset":
            return float(said["butt_minus_ball_x"]) / self.px_per_cm
        if measure == "hand_radius":
            return float(said["grip_to_midshoulder"]) / self.px_per_cm
        return None


def ours(name: str) -> str:
    """Turn 'shoulder_lead' into 'lead_shoulder'."""
    joint, _, side = name.rpartition("_")
    return f"{side}_{joint}" if side in ("lead", "trail") else name


def find_clips(root: Path) -> list[TrueClip]:
    """List the clips that have a truth file beside them."""
    return [TrueClip(path) for path in sorted(root.rglob("clip_*.json"))]
