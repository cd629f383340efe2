"""Read a measure off a swing as it is, or with its inputs disturbed by a known amount.

`Reading` remembers which points at which instants the measure looked at, so that errors are
carried through for those and no others, and no measure has to list its inputs.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.disturbance import NOTHING, SHAFT, Disturbance, Key
from lessonmark.measures.posture import Posture, Vector, sides_of
from lessonmark.measures.registry import Measure
from lessonmark.measures.seen import SwingSeen
from lessonmark.measures.swing import Swing
from lessonmark.words import Position

__all__ = ["Disturbance", "Key", "Reading"]

Array = npt.NDArray[np.float64]


class Reading:
    """One measure, at one position or over the swing, ready to be evaluated many times."""

    def __init__(self, *, swing: SwingSeen, entry: Measure, position: Position | None) -> None:
        self.swing = swing
        self.entry = entry
        self.position = position
        self.read: dict[Key, tuple[float, ...]] = {}  # what it looked at: time of the reading, s
        self.positions_read: set[Position] = set()
        self.placing = swing.placing

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
        s = self.read[key][0]
        if key.name == SHAFT:
            return [np.array([self.placing.shaft(s)[1], 0.0])]
        return self.placing.steps(key.name, s)

    def span_s(self) -> tuple[float, float]:
        """First and last time of the positions that it reads, s."""
        at = [self.swing.positions[p].time.s for p in self.positions_read]
        return min(at), max(at)

    @property
    def torso_px(self) -> float:
        """The torso's length at address, or at the position where there is no address, px."""
        return self.placing.torso_px

    # -- postures --------------------------------------------------------------------------

    def _posture(self, s: float, instant: str, disturbed: Disturbance) -> Posture:
        at = self._nearest(s, instant)
        placing = self.placing
        camera = placing.turned(disturbed.camera)

        def look(name: str) -> Vector:
            key = Key(name, instant)
            self.read.setdefault(key, (s,))
            if disturbed.leaves(key):
                return placing.place(name, s, at, camera)
            px, cov = placing.point(name, s)
            if key in disturbed.points:
                px = px + disturbed.points[key]
            if self._moves_along(name, disturbed):
                sd = np.sqrt(np.diag(cov))[None]
                px = self._moved_along(name, np.array([s]), px[None], sd, disturbed)[0]
            own = disturbed.depths.get(key, 0.0) + placing.on_its_way(name, s, at)
            return placing.lay(name, px, at, camera, own)

        def shaft() -> float:
            angle, se = placing.shaft(s)
            key = Key(SHAFT, instant)
            self.read.setdefault(key, (s,))
            angle += float(disturbed.points[key][0]) if key in disturbed.points else 0.0
            if SHAFT in disturbed.waves and disturbed.knots is not None:
                angle += se * float(np.interp(s, disturbed.knots, disturbed.waves[SHAFT][:, 0]))
            return placing.lay_shaft(angle, s, at, camera, disturbed.depths.get(key, 0.0))

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
            camera = self.placing.turned(disturbed.camera)
            # It stands on the line of the ball, nearer to the camera than the golfer.
            return tuple(self.placing.lay("ball", c, Position.P1, camera, 0.0) for c in corners)

        return Swing(
            time=lambda position: self._time(position, disturbed),
            at=lambda s: self._posture(s, "", disturbed),
            path=lambda name, at: self._path(name, at, disturbed),
            times=times,
            obstacle=obstacle,
        )

    def _path(self, name: str, times: Array, disturbed: Disturbance) -> Array:
        camera = self.placing.turned(disturbed.camera)
        sides = sides_of(name)
        laid = []
        for side, seen in zip(sides, self.placing.along(sides, times), strict=True):
            key = Key(side, "")
            self.read.setdefault(key, (float(times[0]),))
            px = seen.px + disturbed.points[key] if key in disturbed.points else seen.px
            px = self._moved_along(side, times, px, seen.sd, disturbed)
            own = seen.own + disturbed.depths.get(key, 0.0)
            laid.append(self.placing.lay_path(px, seen.nominal, own, camera))
        return laid[0] if len(laid) == 1 else (laid[0] + laid[1]) / 2

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

    def _moves_along(self, name: str, disturbed: Disturbance) -> bool:
        return name in disturbed.named or name in disturbed.drifts or name in disturbed.waves

    def _moved_along(
        self, name: str, times: Array, px: Array, sd: Array, disturbed: Disturbance
    ) -> Array:
        """Move a point's path (time, 2) px by what is done to it at every instant."""
        if name in disturbed.named:
            px = px + disturbed.named[name]
        if name in disturbed.drifts:
            start, stop = self.span_s()
            share = np.clip((times - start) / max(stop - start, 1e-6), 0.0, 1.0)
            px = px + (2.0 * share - 1.0)[:, None] * disturbed.drifts[name]
        if name in disturbed.waves and disturbed.knots is not None:
            wave = disturbed.waves[name]
            drawn = [np.interp(times, disturbed.knots, wave[:, i]) for i in (0, 1)]
            px = px + sd * np.stack(drawn, axis=1)
        return px

    def _nearest(self, s: float, instant: str) -> Position:
        if self.position is not None and not self.entry.is_span:
            if instant.startswith("start"):
                return Position.P1  # also where its time is moved by its error
            start = self.swing.positions.found.get(Position.P1)
            if start is not None and abs(s - start.time.s) < 1e-9:
                return Position.P1
            return self.position
        return self.placing.nearest(s)
