"""From pixels to the axes that measures are defined in, once for all the measures of a swing.

Roll, the golfer's place in the picture, pitch and the scale are taken out here; perspective, and
a camera off square where a stick shows by how much, by the depth of an ordinary golfer. What is
asked for again by another measure, at another position or under another disturbance is remembered,
as plain numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import numpy.typing as npt

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.depth import nearer
from lessonmark.measures.disturbance import CameraMoved
from lessonmark.measures.posture import Vector
from lessonmark.tracks.schema import CLUB_KEYPOINTS
from lessonmark.words import Position

if TYPE_CHECKING:
    from lessonmark.measures.seen import SwingSeen

__all__ = ["PathSeen", "Placing"]

Array = npt.NDArray[np.float64]
Number = TypeVar("Number", float, Array)  # one point, or a whole path at once

TORSO_CM = 50.0  # an ordinary torso, for sizing depth where there is no scale
STATURE_CM = 172.0  # an ordinary stature, where none is declared
DISTANCE_CM = 450.0  # of an unchecked camera; common practice, no source
CLUB_LENGTH = 0.49  # an iron's from the middle of the grip to the head, share of stature
# Between the last frame that shows the club and the next: two missed at 120 frames a second, none
# at 60. Longer, and the head may have been anywhere; common practice, no source.
MISSED_S = 0.026


@dataclass(frozen=True, kw_only=True)
class Turned:
    """A way to hold the camera: its angles as sines and cosines, and what it has placed."""

    moved: CameraMoved
    roll: float  # rad
    cos_roll: float
    sin_roll: float
    cos_pitch: float
    sin_pitch: float
    cos_yaw: float
    sin_yaw: float
    units: float  # px per unit of the measures
    distance: float  # of the hips, in the measures' unit
    placed: dict[tuple[str, float, Position], Vector] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class PathSeen:
    """A point at many times, as the track has it."""

    px: Array  # (time, 2)
    sd: Array  # (time, 2) px, standard deviations of the coordinates
    nominal: Array  # (time,) share of stature nearer to the camera than the hips
    own: Array  # (time,) the same, that it has on its way between positions


class Placing:
    """What a swing's camera, scale and track say of where a point is, each worked out once."""

    def __init__(self, swing: SwingSeen) -> None:
        self.swing = swing
        self.landmark_covs: dict[tuple[str, float], Array] = {}  # px^2, of `systematic.py`
        self._points: dict[tuple[str, float], tuple[Vector, Array]] = {}
        self._shafts: dict[float, tuple[float, float]] = {}
        self._steps: dict[tuple[str, float], list[Vector]] = {}
        self._nominal: dict[tuple[str, Position], float] = {}
        self._turned: dict[CameraMoved, Turned] = {}
        self._paths: dict[tuple[str, bytes], PathSeen] = {}
        self._across, self._down = (float(half) for half in swing.centre)
        scale, camera = swing.scale, swing.camera
        self._units = scale.px_per_cm if scale is not None else self.torso_px / 100.0
        # In the measures' unit: cm, or % of the torso.
        per_cm = 1.0 if scale is not None else 100.0 / TORSO_CM
        stature = (swing.stature_cm or STATURE_CM) if scale is not None else STATURE_CM
        self._stature = stature * per_cm
        self._distance = ((camera.distance_cm if camera else None) or DISTANCE_CM) * per_cm
        self._focal = swing.focal_px
        self._roll_deg = camera.roll_deg if camera else 0.0
        pitch = camera.pitch_deg if camera else None
        self._pitch = math.radians(pitch) if pitch is not None else 0.0
        # Off square, where a stick shows it: brought back to the line of play by nominal depth.
        off = math.radians(camera.yaw_deg or 0.0) if camera and camera.yaw_known else 0.0
        self._off, self._cos_off, self._sin_off = off, math.cos(off), math.sin(off)
        self._hips = self._golfer()
        pan = math.atan2(self._hips[0], self._focal)
        self._pan, self._cos_pan, self._sin_pan = pan, math.cos(pan), math.sin(pan)
        # How turning the camera changes the size of an upright line at the golfer.
        self._keeps = 1.0
        square = self.turned(CameraMoved())
        x, y = self._hips
        below, above = (self._faced(x, y + sign, square) for sign in (1.0, -1.0))
        self._keeps = math.hypot(below[0] - above[0], below[1] - above[1]) / 2.0

    # -- the track -------------------------------------------------------------------------

    def point(self, name: str, s: float) -> tuple[Vector, Array]:
        """Read a point's place (2,) px, the camera's own movement taken out, and its covariance.

        Raises
        ------
        CannotMeasure : it is not there.
        """
        kept = self._points.get((name, s))
        if kept is None:
            kept = self._points[name, s] = self._ball() if name == "ball" else self._seen(name, s)
        return kept

    def _on_the_way(self, name: str, s: float) -> tuple[Vector, Array]:
        if name in CLUB_KEYPOINTS:
            unseen_s = self.swing.paths.unseen_s(name, s)
            if 0 < unseen_s <= MISSED_S:
                px, cov, _ = self.swing.paths.guess(name, s)
                return self._without_camera(px, cov, s)
            if MISSED_S < unseen_s < math.inf:
                raise CannotMeasure(
                    say(
                        "the club is lost from sight for {ms:.0f} ms of its way", ms=1e3 * unseen_s
                    ),
                    do=say("film with more frames a second, in brighter light"),
                )
        return self.point(name, s)

    def _seen(self, name: str, s: float) -> tuple[Vector, Array]:
        return self._without_camera(*self.swing.paths.at(name, s), s)

    def _without_camera(self, px: Vector, cov: Array, s: float) -> tuple[Vector, Array]:
        scatter = self.swing.network_scatter * self.torso_px
        return px - self._camera_moved(s), cov + scatter**2 * np.eye(2)

    def _ball(self) -> tuple[Vector, Array]:
        ball = self.swing.ball
        if ball is None:
            raise CannotMeasure(
                say("the ball was not found at address"),
                do=say("film so that the ball is in sight and stands out from the ground"),
            )
        return np.array([ball.x, ball.y]), ball.se_px**2 * np.eye(2)

    def _camera_moved(self, s: float) -> Vector:
        camera = self.swing.camera
        if camera is None or not camera.movement:
            return np.zeros(2)
        times, right, down = np.array(camera.movement).T
        return np.array([np.interp(s, times, right), np.interp(s, times, down)])

    def steps(self, name: str, s: float) -> list[Vector]:
        """One-standard-error steps of a point along its error ellipse's axes, px."""
        if (name, s) not in self._steps:
            _, cov = self.point(name, s)
            sizes, directions = np.linalg.eigh((cov + cov.T) / 2)
            self._steps[name, s] = [
                math.sqrt(size) * directions[:, i] for i, size in enumerate(sizes) if size > 0
            ]
        return self._steps[name, s]

    def shaft(self, s: float) -> tuple[float, float]:
        """Read the shaft's direction in the picture and its standard error, rad.

        Raises
        ------
        CannotMeasure : the club is not there.
        """
        if s not in self._shafts:
            self._shafts[s] = self.swing.paths.shaft_at(s)
        return self._shafts[s]

    @cached_property
    def torso_px(self) -> float:
        """The torso's length at address, or at the position where there is no address, px."""
        return _torso_px(self.swing)

    def along(self, names: tuple[str, ...], times: Array) -> list[PathSeen]:
        """Read points at many times (time,) s.

        A club that was missed in a frame or two of its way is read from the frames around, whose
        smoother states the error of what it predicts.

        Raises
        ------
        CannotMeasure : one of them is not there at one of the times.
        """
        when = times.tobytes()
        if any((name, when) not in self._paths for name in names):
            seen = [[self._on_the_way(name, float(s)) for name in names] for s in times]
            at = [self.nearest(float(s)) for s in times]
            for i, name in enumerate(names):
                self._paths[name, when] = PathSeen(
                    px=np.array([one[i][0] for one in seen]),
                    sd=np.array([np.sqrt(np.diag(one[i][1])) for one in seen]),
                    nominal=np.array([self._nearer(name, position) for position in at]),
                    own=np.array(
                        [
                            self.on_its_way(name, float(s), position)
                            for s, position in zip(times, at, strict=True)
                        ]
                    ),
                )
        return [self._paths[name, when] for name in names]

    # -- depth -----------------------------------------------------------------------------

    def nearest(self, s: float) -> Position:
        """The position that lies nearest to a time."""
        found, times = self._found
        return found[int(np.argmin(np.abs(times - s)))]

    @cached_property
    def _found(self) -> tuple[tuple[Position, ...], Array]:
        found = self.swing.positions.found
        return tuple(found), np.array([at.time.s for at in found.values()])

    def _nearer(self, name: str, at: Position) -> float:
        if (name, at) not in self._nominal:
            self._nominal[name, at] = nearer(name, at, self.swing.view)
        return self._nominal[name, at]

    def on_its_way(self, name: str, s: float, at: Position) -> float:
        """How much nearer the clubhead is at a time than at the position nearest to it.

        It comes from behind the hands to the ball within a few hundredths of a second. Share of
        stature; 0 at the positions, and for everything slower.
        """
        if name != "clubhead":
            return 0.0
        return float(np.interp(s, *self._club_nearer)) - self._nearer(name, at)

    @cached_property
    def _club_nearer(self) -> tuple[Array, Array]:
        found = self.swing.positions.found
        known = sorted((p.time.s, self._nearer("clubhead", q)) for q, p in found.items())
        times, near = zip(*known, strict=True)
        return np.array(times), np.array(near)

    # -- the camera ------------------------------------------------------------------------

    def turned(self, moved: CameraMoved) -> Turned:
        """Work out the camera as it stands, or moved from there."""
        if moved not in self._turned:
            roll = math.radians(self._roll_deg + moved.roll_deg)
            pitch = self._pitch + math.radians(moved.pitch_deg)
            yaw = math.radians(moved.yaw_deg)
            self._turned[moved] = Turned(
                moved=moved,
                roll=roll,
                cos_roll=math.cos(roll),
                sin_roll=math.sin(roll),
                cos_pitch=math.cos(pitch),
                sin_pitch=math.sin(pitch),
                cos_yaw=math.cos(yaw),
                sin_yaw=math.sin(yaw),
                units=self._units * (1.0 + moved.scale_share),
                distance=self._distance * (1.0 + moved.distance_share),
            )
        return self._turned[moved]

    def _golfer(self) -> tuple[float, float]:
        """The hips' place at the first position that shows them, roll taken out, px."""
        swing = self.swing
        roll = math.radians(self._roll_deg)
        for position in Position:
            if position not in swing.positions:
                continue
            s = swing.positions[position].time.s
            try:
                hips = [swing.paths.at(f"{side}_hip", s)[0] for side in ("lead", "trail")]
            except CannotMeasure:
                continue
            x, y = ((hips[0] + hips[1]) / 2 - swing.centre).tolist()
            return (
                x * math.cos(roll) + y * math.sin(roll),
                y * math.cos(roll) - x * math.sin(roll),
            )
        return 0.0, 0.0

    def _level(self, x: Number, y: Number, camera: Turned) -> tuple[Number, Number]:
        x, y = x - self._across, y - self._down
        return (
            x * camera.cos_roll + y * camera.sin_roll,
            y * camera.cos_roll - x * camera.sin_roll,
        )

    def _faced(self, x: Number, y: Number, camera: Turned) -> tuple[Number, Number]:
        """Turn the picture to a level camera that looks at the golfer.

        A golfer at the picture's edge is drawn wider, and one that is filmed from below or above
        leans; turning the camera on its own place undoes it (a homography: Hartley & Zisserman
        2004, eq. 8.9). Heights at the golfer keep their size, so that the scale does.

        Returns
        -------
        px from the golfer's column, down from the row of the camera's own height.
        """
        focal = self._focal
        down = y * camera.cos_pitch - focal * camera.sin_pitch
        ahead = y * camera.sin_pitch + focal * camera.cos_pitch
        across = x * self._cos_pan - ahead * self._sin_pan
        ahead = x * self._sin_pan + ahead * self._cos_pan
        size = focal / ahead / self._keeps
        return across * size, down * size

    # -- to the measures' axes -------------------------------------------------------------

    def place(self, name: str, s: float, at: Position, camera: Turned) -> Vector:
        """Bring a point of the track to the measures' axes; the array is shared, and read-only.

        Raises
        ------
        CannotMeasure : it is not there.
        """
        kept = camera.placed.get((name, s, at))
        if kept is None:
            px, _ = self.point(name, s)
            kept = self.lay(name, px, at, camera, self.on_its_way(name, s, at))
            kept.flags.writeable = False
            camera.placed[name, s, at] = kept
        return kept

    def lay(self, name: str, px: Vector, at: Position, camera: Turned, own: float) -> Vector:
        """Bring a point (2,) px to the measures' axes; `own` nearer than usual at a position."""
        x, y = px.tolist()
        return np.array(self._laid(x, y, self._nearer(name, at), own, camera))

    def lay_path(self, px: Array, nominal: Array, own: Array, camera: Turned) -> Array:
        """Bring a path (time, 2) px to the measures' axes."""
        return np.stack(self._laid(px[:, 0], px[:, 1], nominal, own, camera), axis=1)

    def _laid(
        self, x: Number, y: Number, nominal: Number, own: Number, camera: Turned
    ) -> tuple[Number, Number]:
        x, y = self._faced(*self._level(x, y, camera), camera)
        # What is nearer than the hips is drawn larger: brought to the hips' plane by the depth of
        # an ordinary golfer, whose error is in the systematic part.
        near = (nominal + own) * self._stature
        size = (1.0 - near / camera.distance) / camera.units
        along, up = x * self.swing.toward * size, -y * size
        if self._off:
            along = (along - near * self._sin_off) / self._cos_off
        if camera.moved.yaw_deg:
            along = along * camera.cos_yaw + near * camera.sin_yaw
        return along, up

    def lay_shaft(
        self, angle: float, s: float, at: Position, camera: Turned, own: float = 0.0
    ) -> float:
        """Bring a direction of the shaft in the picture, rad, to the measures' axes.

        `own`: how much nearer its head is than usual at a position, share of stature.
        """
        angle += camera.roll
        if abs(self._pan) > 1e-3 or self._pitch or camera.moved.pitch_deg:
            try:
                grip, _ = self.point("grip_mid", s)
                x, y = self._level(float(grip[0]), float(grip[1]), camera)
            except CannotMeasure:
                x, y = self._hips
            right, down = math.cos(angle), -math.sin(angle)
            head = self._faced(x + right, y + down, camera)
            butt = self._faced(x - right, y - down, camera)
            angle = math.atan2(butt[1] - head[1], head[0] - butt[0])
        if self.swing.toward < 0:
            angle = math.pi - angle
        if self._off or camera.moved.yaw_deg:
            near = self._nearer("clubhead", at) + own - self._nearer("grip_mid", at)
            slope = near / CLUB_LENGTH
            flat = math.sqrt(max(1.0 - slope**2, 0.05))  # what of the shaft lies in the plane
            if self._off:
                x = (flat * math.cos(angle) - slope * self._sin_off) / self._cos_off
                angle = math.atan2(flat * math.sin(angle), x)
            x = flat * math.cos(angle) * camera.cos_yaw + slope * camera.sin_yaw
            angle = math.atan2(flat * math.sin(angle), x)
        return angle


def _torso_px(swing: SwingSeen) -> float:
    found = swing.positions.found
    times = [found[p].time.s for p in Position if p in found]
    for s in times:
        try:
            ends = [
                (swing.paths.at(f"lead_{joint}", s)[0] + swing.paths.at(f"trail_{joint}", s)[0]) / 2
                for joint in ("shoulder", "hip")
            ]
        except CannotMeasure:
            continue
        torso = float(np.hypot(*(ends[0] - ends[1])))
        if torso > 1.0:
            return torso
    raise CannotMeasure(
        say("shoulders and hips are hidden in the whole swing"),
        do=say("film with nothing between the camera and the golfer"),
    )
