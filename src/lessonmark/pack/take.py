"""A coach's recorded passage: the voice, and what was on the screen while they spoke.

The page records sound and, on the same clock, what it showed, where the pointer was and what was
drawn. The renderer shows the same again. One take can be recorded anew without the others.

Places on the screen are shares of the picture pair, before on the left half, after on the right:
(0, 0) is its top left corner, (1, 1) its bottom right one; each half is 3 wide to 4 high.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from lessonmark.errors import PackError
from lessonmark.language import say

__all__ = ["PAIR_ASPECT", "Mark", "Pointer", "Shown", "Take", "read_take", "write_take"]

PAIR_ASPECT = 2 * 3 / 4  # width over height of the two pictures beside each other


@dataclass(frozen=True, kw_only=True)
class Shown:
    """From `at_s` of the take on, this is on the screen; None leaves that half empty."""

    at_s: float
    before_s: float | None  # time on that swing's clip, real seconds
    after_s: float | None
    lines: bool = False  # the measured lines are drawn; only at the measure's position


@dataclass(frozen=True, kw_only=True)
class Pointer:
    """Where the pointer is from `at_s` on; None: it left the pictures."""

    at_s: float
    x: float | None
    y: float | None


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A freehand mark: each point appears when it was drawn, all go at `until_s`."""

    points: tuple[tuple[float, float, float], ...]  # (at_s, x, y)
    until_s: float | None = None  # None: to the end of the take

    def __post_init__(self) -> None:
        times = [at for at, _, _ in self.points]
        if not times or times != sorted(times):
            raise ValueError("a mark needs points in the order in which they were drawn")


@dataclass(frozen=True, kw_only=True)
class Take:
    """One passage, spoken over one focus measure's pair of swings."""

    focus: int  # index among the findings' focus measures
    audio: str | None  # file beside the take's JSON: WAV, WebM, Ogg, MP4; None: no voice
    duration_s: float
    shown: tuple[Shown, ...]
    pointer: tuple[Pointer, ...] = ()
    marks: tuple[Mark, ...] = ()
    caption: str = ""  # what is said, in short, for who cannot hear it

    def __post_init__(self) -> None:
        if not (math.isfinite(self.duration_s) and self.duration_s > 0):
            raise ValueError(f"a take lasts longer than 0 s, got {self.duration_s}")
        for events in ([s.at_s for s in self.shown], [p.at_s for p in self.pointer]):
            if events != sorted(events):
                raise ValueError("a take's events must follow each other in time")
        if self.audio is not None and Path(self.audio).name != self.audio:
            raise ValueError("a take's sound lies beside it, without a folder in its name")


_ADAPTER: TypeAdapter[Take] = TypeAdapter(Take)


def write_take(take: Take, path: Path) -> None:
    """Write a take's JSON; its sound is written beside it by who recorded it."""
    path.write_bytes(_ADAPTER.dump_json(take, indent=1))


def read_take(path: Path) -> Take:
    """Read a take's JSON.

    Raises
    ------
    PackError : it is not there, or is no such JSON.
    """
    try:
        return _ADAPTER.validate_json(path.read_bytes())
    except (OSError, ValidationError) as err:
        raise PackError(
            say("this recorded passage cannot be read"),
            path=path,
            do=say("record the passage again; the other passages were kept"),
        ) from err
