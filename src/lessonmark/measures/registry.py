"""The one list of measures, filled by the `measure` and `span` decorators beside each function.

The sheet, the command line, the docs page and the pictures all read these entries; adding a
measure touches its function and its test, nothing else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lessonmark.measures.posture import Posture
from lessonmark.measures.swing import Swing
from lessonmark.words import Position, View

if TYPE_CHECKING:
    from lessonmark.measures.figure import Figure

__all__ = ["Drawn", "Measure", "catalogue", "entry", "in_space", "measure", "span"]

ALL_POSITIONS = tuple(Position)


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """A line to draw on the still, by the names of its points.

    `then` draws each point from where it was at address to where it is now; `plumb` and `level`
    draw a reference through the first point.
    """

    points: tuple[str, ...]
    kind: str = "line"  # 'line', 'plumb', 'level', 'then'

    @property
    def role(self) -> str:
        """'measured' or 'reference', as on a picture."""
        return "measured" if self.kind in ("line", "then") else "reference"


@dataclass(frozen=True, kw_only=True)
class Measure:
    """One entry of the catalogue; every text is an English message id."""

    id: str
    name: str  # plain name
    views: frozenset[View]
    unit: str  # 'deg', 'cm' ('% torso' where there is no scale), 'ms', 'deg/s', 'm/s', ''
    reads: str  # what a coach reads from it
    sign: str  # what + means
    definition: str
    positions: tuple[Position, ...]  # where it means something; empty for a span
    positions_face_on: tuple[Position, ...] | None  # where face-on differs from `positions`
    needs: str  # what the footage must show
    usual: str  # usual range; 'common practice, no source' where that is what it is
    draws: tuple[Drawn, ...]
    least_fps: float  # fewer frames a second than this: refused
    at: Callable[[Posture], float] | None  # a measure at a position
    over: Callable[[Swing], float] | None  # a measure over a span
    solid: Callable[[Figure], float] | None = None  # a measure in space, from two cameras

    @property
    def needs_two_views(self) -> bool:
        """Whether it takes the same swing from both cameras."""
        return self.solid is not None

    @property
    def is_span(self) -> bool:
        """Whether it is measured over the swing, not at a position."""
        return self.over is not None

    def positions_from(self, view: View) -> tuple[Position, ...]:
        """Where it means something in a view; empty for a span."""
        if view is View.FACE_ON and self.positions_face_on is not None:
            return self.positions_face_on
        return self.positions


_CATALOGUE: dict[str, Measure] = {}
NO_SOURCE = "common practice, no source"


def measure(
    *,
    id: str,
    name: str,
    views: set[View],
    unit: str,
    reads: str,
    sign: str,
    definition: str,
    draws: tuple[Drawn, ...],
    positions: tuple[Position, ...] = ALL_POSITIONS,
    positions_face_on: tuple[Position, ...] | None = None,
    needs: str = "the joints in sight",
    usual: str = NO_SOURCE,
    least_fps: float = 0.0,
) -> Callable[[Callable[[Posture], float]], Callable[[Posture], float]]:
    """Enter a function of one posture into the catalogue."""

    def enter(function: Callable[[Posture], float]) -> Callable[[Posture], float]:
        _enter(
            Measure(
                id=id,
                name=name,
                views=frozenset(views),
                unit=unit,
                reads=reads,
                sign=sign,
                definition=definition,
                positions=positions,
                positions_face_on=positions_face_on,
                needs=needs,
                usual=usual,
                draws=draws,
                least_fps=least_fps,
                at=function,
                over=None,
            )
        )
        return function

    return enter


def span(
    *,
    id: str,
    name: str,
    views: set[View],
    unit: str,
    reads: str,
    sign: str,
    definition: str,
    draws: tuple[Drawn, ...] = (),
    needs: str = "the whole swing",
    usual: str = NO_SOURCE,
    least_fps: float = 0.0,
) -> Callable[[Callable[[Swing], float]], Callable[[Swing], float]]:
    """Enter a function of the whole swing into the catalogue."""

    def enter(function: Callable[[Swing], float]) -> Callable[[Swing], float]:
        _enter(
            Measure(
                id=id,
                name=name,
                views=frozenset(views),
                unit=unit,
                reads=reads,
                sign=sign,
                definition=definition,
                positions=(),
                positions_face_on=None,
                needs=needs,
                usual=usual,
                draws=draws,
                least_fps=least_fps,
                at=None,
                over=function,
            )
        )
        return function

    return enter


def in_space(
    *, id: str, name: str, unit: str, reads: str, sign: str, definition: str, usual: str
) -> Callable[[Callable[[Figure], float]], Callable[[Figure], float]]:
    """Enter a function of the golfer in space, which needs both views of one swing."""

    def enter(function: Callable[[Figure], float]) -> Callable[[Figure], float]:
        _enter(
            Measure(
                id=id,
                name=name,
                # They stand with the face-on swing of a pair, once.
                views=frozenset({View.FACE_ON}),
                unit=unit,
                reads=reads,
                sign=sign,
                definition=definition,
                positions=ALL_POSITIONS,
                positions_face_on=None,
                needs="the same swing filmed face-on and down-the-line at once",
                usual=usual,
                draws=(),
                least_fps=0.0,
                at=None,
                over=None,
                solid=function,
            )
        )
        return function

    return enter


def _enter(new: Measure) -> None:
    if new.id in _CATALOGUE:
        raise ValueError(f"there are two measures called {new.id}")
    if not new.views:
        raise ValueError(f"{new.id} is seen from no view")
    _CATALOGUE[new.id] = new


def catalogue() -> tuple[Measure, ...]:
    """List every measure, in the order of declaration, whichever module was imported first."""
    # Declared beside the functions, so the modules that hold them must have been read.
    from lessonmark.measures import body, club, figure, spans

    order = [module.__name__ for module in (body, club, spans, figure)]

    def place(measure: Measure) -> int:
        function = measure.at or measure.over or measure.solid
        return order.index(function.__module__) if function else len(order)

    return tuple(sorted(_CATALOGUE.values(), key=place))


def entry(id: str) -> Measure:
    """Find one measure.

    Raises
    ------
    KeyError : there is none of that id.
    """
    for found in catalogue():
        if found.id == id:
            return found
    raise KeyError(id)
