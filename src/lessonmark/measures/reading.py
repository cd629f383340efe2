"""Read a measure off a swing as it is, or with its inputs disturbed by a known amount.

`Reading` remembers which points at which instants the measure looked at, so that errors are
carried through for those and no others, and no measure has to list its inputs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.depth import nearer
from lessonmark.measures.posture import Posture, Vector
from lessonmark.measures.registry import Measure
from lessonmark.measures.seen import FOCAL_SHARE, SwingSeen
from lessonmark.measures.swing import Swing
from lessonmark.words import Position

__all__ = ["Disturbance", "Key", "Reading"]

SHAFT = "shaft"
TORSO_CM = 50.0  # an ordinary torso, for sizing depth where there is no scale
STATURE_CM = 172.0  # an ordinary stature, where none is declared
DISTANCE_CM = 450.0  # of an unchecked camera; common practice, no source


@dataclass(frozen=True)
class Key:
    """One point at one instant."""

    name: str
    instant: str  # 'now', 'start', 'now+0.010', or '' for a whole path


@dataclass(frozen=True, kw_only=True)
class Disturbance:
    """What is changed in the inputs for one evaluation; nothing by default."""

    points: Mapping[Key, Vector] = field(default_factory=dict)  # px (shaft: rad in element 0)
    named: Mapping[str, Vector] = field(default_factory=dict)  # px, at every instant
    drifts: Mapping[str, Vector] = field(default_factory=dict)  # px, from - to + over the swing
    times: Mapping[Position, float] = field(default_factory=dict)  # s
    waves: Mapping[str, npt.NDArray[np.float64]] = field(default_factory=dict)  # in sd, at knots
    knots: npt.NDArray[np.float64] | None = None  # s
    roll_deg: float = 0.0
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    depths: Mapping[Key, float] = field(default_factory=dict)  # share of stature nearer
    depth_share: float = 0.0  # of the nominal depth, added to all of it
    scale_share: float = 0.0

    @cached_property
    def is_local(self) -> bool:
        """Whether it moves single points or times only, and leaves camera and paths alone."""
        whole = (self.roll_deg, self.yaw_deg, self.pitch_deg, self.depth_share, self.scale_share)
        return not (any(whole) or self.waves)

    def leaves(self, key: Key) -> bool:
        """Whether a point stays where the track has it at that time."""
        return (
            self.is_local
            and key not in self.points
            and key not in self.depths
            and key.name not in self.named
            and key.name not in self.drifts
        )


NOTHING = Disturbance()


class Reading:
    """One measure, at one position or over the swing, ready to be evaluated many times."""

    def __init__(self, *, swing: SwingSeen, entry: Measure, position: Position | None) -> None:
        self.swing = swing
        self.entry = entry
        self.position = position
        self.read: dict[Key, tuple[float, ...]] = {}  # what it looked at: time of the reading, s
        self.positions_read: set[Position] = set()
        self._cache: dict[tuple[str, float], tuple[Vector, npt.NDArray[np.float64]]] = {}
        self._placed = swing.placed
        self._units = self._px_per_unit()
        self._focal = FOCAL_SHARE * max(swing.width, swing.height)
        self._hips = self._golfer()
        self._pan = math.atan2(float(self._hips[0]), self._focal)
        pitch = swing.camera.pitch_deg if swing.camera else None
        self._pitch = math.radians(pitch) if pitch is not None else 0.0
        # How turning the camera changes the size of an upright line at the golfer.
        upright = np.array([0.0, 1.0])
        ends = [
            _turned(self._hips + sign * upright, self._pan, self._pitch, self._focal)
            for sign in (1.0, -1.0)
        ]
        self._keeps = float(np.hypot(*(ends[0] - ends[1]))) / 2.0

    # -- evaluation ------------------------------------------------------------------------

    def value(self, disturbed: Disturbance = NOTHING) -> float:
        """Evaluate the measure.

        Raises
        ------
        CannotMeasure : something that it reads is not there.
        """
        if self.entry.over is not None:
            got = self.entry.over(self._swing(disturbed))
        else:
            assert self.entry.at is not None
            assert self.position is not None
            s = self._time(self.position, disturbed)
            got = self.entry.at(self._posture(s, "now", disturbed))
        if not math.isfinite(got):
            raise CannotMeasure(say("the points lie on top of each other here"))
        return got

    def difference(self, value: float, disturbed: Disturbance) -> float:
        """Evaluate it disturbed, less `value`; the short way round for an angle."""
        change = self.value(disturbed) - value
        return (change + 180.0) % 360.0 - 180.0 if self.entry.unit == "deg" else change

    # -- the errors of the inputs ----------------------------------------------------------

    def time_errors(self) -> dict[Position, float]:
        """Standard errors of the positions that it reads, s."""
        found = self.swing.positions.found
        return {p: found[p].time.se for p in sorted(self.positions_read, key=list(Position).index)}

    def axes(self, key: Key) -> list[Vector]:
        """One-standard-error steps of a point along its error ellipse's axes, px."""
        if key.name == SHAFT:
            return [np.array([self._shaft(self.read[key][0])[1], 0.0])]
        _, cov = self._point(key.name, self.read[key][0])
        sizes, directions = np.linalg.eigh((cov + cov.T) / 2)
        return [
            math.sqrt(max(size, 0.0)) * directions[:, i] for i, size in enumerate(sizes) if size > 0
        ]

    def span_s(self) -> tuple[float, float]:
        """First and last time of the positions that it reads, s."""
        at = [self.swing.positions[p].time.s for p in self.positions_read]
        return min(at), max(at)

    def _along_swing(self, s: float) -> float:
        start, stop = self.span_s()
        return 2.0 * min(max((s - start) / max(stop - start, 1e-6), 0.0), 1.0) - 1.0

    @cached_property
    def torso_px(self) -> float:
        """The torso's length at address, or at the position where there is no address, px."""
        return _torso_px(self.swing)

    # -- from pixels to the posture's axes -------------------------------------------------

    def _px_per_unit(self) -> float:
        scale = self.swing.scale
        return scale.px_per_cm if scale is not None else _torso_px(self.swing) / 100.0

    @cached_property
    def _stature_units(self) -> float:
        if self.swing.scale is not None:
            return self.swing.stature_cm or STATURE_CM
        return 100.0 * STATURE_CM / TORSO_CM

    @cached_property
    def _distance(self) -> float:
        camera = self.swing.camera
        distance = (camera.distance_cm if camera else None) or DISTANCE_CM
        return distance if self.swing.scale is not None else 100.0 * distance / TORSO_CM

    def _to_axes(
        self,
        name: str,
        px: Vector,
        at: Position,
        disturbed: Disturbance,
        nearer_by: float = 0.0,
    ) -> Vector:
        camera = self.swing.camera
        roll = math.radians((camera.roll_deg if camera else 0.0) + disturbed.roll_deg)
        level = self._faced(_level(px - self.swing.centre, roll), disturbed)
        units = self._units * (1.0 + disturbed.scale_share)
        place = np.array([self.swing.toward * level[0], -level[1]]) / units
        # What is nearer than the hips is drawn larger: brought to the hips' plane by the depth of
        # an ordinary golfer, whose error is in the systematic part.
        nominal = nearer(name, at, self.swing.view) * (1.0 + disturbed.depth_share)
        near = (nominal + nearer_by) * self._stature_units
        place = place * (1.0 - near / self._distance)
        if disturbed.yaw_deg:
            yaw = math.radians(disturbed.yaw_deg)
            place[0] = place[0] * math.cos(yaw) + near * math.sin(yaw)
        return place

    def _on_its_way(self, name: str, s: float, at: Position) -> float:
        """How much nearer the clubhead is at a time than at the position nearest to it.

        It comes from behind the hands to the ball within a few hundredths of a second. Share of
        stature; 0 at the positions, and for everything slower.
        """
        if name != "clubhead":
            return 0.0
        view = self.swing.view
        known = sorted(
            (p.time.s, nearer(name, q, view)) for q, p in self.swing.positions.found.items()
        )
        times, near = zip(*known, strict=True)
        return float(np.interp(s, times, near)) - nearer(name, at, view)

    def _faced(self, level: Vector, disturbed: Disturbance) -> Vector:
        """Turn the picture to a level camera that looks at the golfer.

        A golfer at the picture's edge is drawn wider, and one that is filmed from below or above
        leans; turning the camera on its own place undoes it (a homography: Hartley & Zisserman
        2004, eq. 8.9). Heights at the golfer keep their size, so that the scale does.

        Returns
        -------
        px from the golfer's column, down from the row of the camera's own height.
        """
        pitch = self._pitch + math.radians(disturbed.pitch_deg)
        return _turned(level, self._pan, pitch, self._focal) / self._keeps

    def _golfer(self) -> Vector:
        """The hips' place at the first position that shows them, roll taken out, px."""
        swing = self.swing
        roll = math.radians(swing.camera.roll_deg if swing.camera else 0.0)
        for position in Position:
            if position not in swing.positions:
                continue
            s = swing.positions[position].time.s
            try:
                hips = [swing.paths.at(f"{side}_hip", s)[0] for side in ("lead", "trail")]
            except CannotMeasure:
                continue
            return _level((hips[0] + hips[1]) / 2 - swing.centre, roll)
        return np.zeros(2)

    def _shaft_to_axes(self, angle: float, s: float, at: Position, disturbed: Disturbance) -> float:
        camera = self.swing.camera
        roll = math.radians((camera.roll_deg if camera else 0.0) + disturbed.roll_deg)
        angle += roll
        if abs(self._pan) > 1e-3 or self._pitch or disturbed.pitch_deg:
            try:
                grip = _level(self._point("grip_mid", s)[0] - self.swing.centre, roll)
            except CannotMeasure:
                grip = self._hips
            way = np.array([math.cos(angle), -math.sin(angle)])
            drawn = self._faced(grip + way, disturbed) - self._faced(grip - way, disturbed)
            angle = math.atan2(-drawn[1], drawn[0])
        if self.swing.toward < 0:
            angle = math.pi - angle
        if disturbed.yaw_deg:
            view = self.swing.view
            depth = nearer("clubhead", at, view) - nearer("grip_mid", at, view)
            slope = depth / 0.55  # an iron's length, share of stature
            yaw = math.radians(disturbed.yaw_deg)
            flat = math.sqrt(max(1.0 - slope**2, 0.05))  # what of the shaft lies in the plane
            x = flat * math.cos(angle) * math.cos(yaw) + slope * math.sin(yaw)
            angle = math.atan2(flat * math.sin(angle), x)
        return angle

    # -- postures --------------------------------------------------------------------------

    def _posture(self, s: float, instant: str, disturbed: Disturbance) -> Posture:
        at = self._nearest(s)

        def look(name: str) -> Vector:
            key = Key(name, instant)
            if disturbed.leaves(key):
                self.read.setdefault(key, (s,))
                if (name, s) not in self._placed:
                    px = self._point(name, s)[0]
                    place = self._to_axes(name, px, at, NOTHING, self._on_its_way(name, s, at))
                    place.flags.writeable = False  # it is handed out again and again
                    self._placed[name, s] = place
                return self._placed[name, s]
            px = self._disturbed(name, s, instant, disturbed)
            own = disturbed.depths.get(key, 0.0) + self._on_its_way(name, s, at)
            return self._to_axes(name, px, at, disturbed, own)

        def shaft() -> float:
            angle, se = self._shaft(s)
            key = Key(SHAFT, instant)
            self.read.setdefault(key, (s,))
            angle += float(disturbed.points[key][0]) if key in disturbed.points else 0.0
            if SHAFT in disturbed.waves and disturbed.knots is not None:
                angle += se * float(np.interp(s, disturbed.knots, disturbed.waves[SHAFT][:, 0]))
            return self._shaft_to_axes(angle, s, at, disturbed)

        def start() -> Posture:
            return self._posture(self._time(Position.P1, disturbed), "start", disturbed)

        def shifted(later: float) -> Posture:
            return self._posture(s + later, f"{instant}{later:+.3f}" if instant else "", disturbed)

        return Posture(
            view=self.swing.view, look=look, shaft_look=shaft, start_look=start, shifted=shifted
        )

    def _swing(self, disturbed: Disturbance) -> Swing:
        def times(start: float, stop: float) -> tuple[float, ...]:
            all_times = self.swing.paths.times
            inside = all_times[(all_times >= start - 1e-9) & (all_times <= stop + 1e-9)]
            return tuple(float(t) for t in inside)

        def obstacle() -> tuple[Vector, ...]:
            if self.swing.obstacle is None or len(self.swing.obstacle) < 3:
                raise CannotMeasure(
                    say("no obstacle is marked on this clip"),
                    do=say("mark the obstacle's corners on the picture"),
                )
            corners = [np.asarray(corner, dtype=float) for corner in self.swing.obstacle]
            # It stands on the line of the ball, nearer to the camera than the golfer.
            return tuple(self._to_axes("ball", c, Position.P1, disturbed) for c in corners)

        return Swing(
            time=lambda position: self._time(position, disturbed),
            at=lambda s: self._posture(s, "", disturbed),
            times=times,
            obstacle=obstacle,
        )

    # -- the track -------------------------------------------------------------------------

    def _time(self, position: Position, disturbed: Disturbance) -> float:
        positions = self.swing.positions
        if position not in positions:
            why = positions.missing.get(position, "")
            raise CannotMeasure(
                say("{position} was not found: {why}", position=position.value, why=why)
                if why
                else say("{position} was not found", position=position.value),
                do=say("place the position by hand"),
            )
        self.positions_read.add(position)
        return positions[position].time.s + disturbed.times.get(position, 0.0)

    def _disturbed(self, name: str, s: float, instant: str, disturbed: Disturbance) -> Vector:
        px, cov = self._point(name, s)
        key = Key(name, instant)
        self.read.setdefault(key, (s,))
        if key in disturbed.points:
            px = px + disturbed.points[key]
        if name in disturbed.named:
            px = px + disturbed.named[name]
        if name in disturbed.drifts:
            px = px + self._along_swing(s) * disturbed.drifts[name]
        if name in disturbed.waves and disturbed.knots is not None:
            wave = disturbed.waves[name]
            drawn = np.array([np.interp(s, disturbed.knots, wave[:, i]) for i in (0, 1)])
            px = px + np.sqrt(np.diag(cov)) * drawn
        return px

    def _point(self, name: str, s: float) -> tuple[Vector, npt.NDArray[np.float64]]:
        if name == "ball":
            return self._ball()
        if (name, s) not in self._cache:
            px, cov = self.swing.paths.at(name, s)
            px = px - self._camera_moved(s)
            scatter = self.swing.network_scatter * self.torso_px
            self._cache[name, s] = px, cov + scatter**2 * np.eye(2)
        return self._cache[name, s]

    def _camera_moved(self, s: float) -> Vector:
        camera = self.swing.camera
        if camera is None or not camera.movement:
            return np.zeros(2)
        times, right, down = np.array(camera.movement).T
        return np.array([np.interp(s, times, right), np.interp(s, times, down)])

    def _ball(self) -> tuple[Vector, npt.NDArray[np.float64]]:
        ball = self.swing.ball
        if ball is None:
            raise CannotMeasure(
                say("the ball was not found at address"),
                do=say("film so that the ball is in sight and stands out from the ground"),
            )
        return np.array([ball.x, ball.y]), ball.se_px**2 * np.eye(2)

    def _shaft(self, s: float) -> tuple[float, float]:
        return self.swing.paths.shaft_at(s)

    def _nearest(self, s: float) -> Position:
        if self.position is not None and not self.entry.is_span:
            found = self.swing.positions.found
            start = found.get(Position.P1)
            if start is not None and abs(s - start.time.s) < 1e-9:
                return Position.P1
            return self.position
        found = self.swing.positions.found
        return min(found, key=lambda p: abs(found[p].time.s - s))


def _level(px: Vector, roll: float) -> Vector:
    x, y = px
    return np.array(
        [x * math.cos(roll) + y * math.sin(roll), -x * math.sin(roll) + y * math.cos(roll)]
    )


def _turned(level: Vector, pan: float, pitch: float, focal: float) -> Vector:
    down = level[1] * math.cos(pitch) - focal * math.sin(pitch)
    ahead = level[1] * math.sin(pitch) + focal * math.cos(pitch)
    across = level[0] * math.cos(pan) - ahead * math.sin(pan)
    ahead = level[0] * math.sin(pan) + ahead * math.cos(pan)
    return np.array([across * focal / ahead, down * focal / ahead])


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
