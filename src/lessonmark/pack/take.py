"""A coach's recorded passage: the voice, and what was on the screen while they spoke.

The page records sound and, on the same clock, what it showed, where the pointer was and what was
drawn. The renderer shows the same again. One take can be recorded anew without the others.

Places on the screen are shares of the picture pair: (0, 0) is its top left corner, (1, 1) its
bottom right one; each half is 3 wide to 4 high. A swing that is shown alone stands in the middle,
from 0.25 to 0.75.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from lessonmark.errors import PackError
from lessonmark.language import say

__all__ = [
    "HALF_ASPECT",
    "PAIR_ASPECT",
    "Ghost",
    "Mark",
    "PaneShown",
    "Pointer",
    "Shown",
    "ShownLine",
    "SwingRef",
    "Take",
    "read_take",
    "take_json",
    "write_take",
]

HALF_ASPECT = 3 / 4  # width over height of one picture
PAIR_ASPECT = 2 * HALF_ASPECT


@dataclass(frozen=True, kw_only=True)
class SwingRef:
    """A swing by what never changes: its clip's content, and its number in that clip."""

    clip_sha256: str
    number: int


@dataclass(frozen=True, kw_only=True)
class ShownLine:
    """A line that was drawn over the frame, in the clip's upright pixels."""

    points: tuple[tuple[float, float], ...]
    measured: bool  # False: what it is measured against

    def __post_init__(self) -> None:
        if len(self.points) < 2:
            raise ValueError("a line has two ends")


@dataclass(frozen=True, kw_only=True)
class Ghost:
    """The pair's other swing, laid half seen over this one."""

    s: float  # its frame's time on its own clip, real seconds
    # Its pixel p lies at scale * p + (dx, dy) of this swing's upright pixels.
    scale: float
    dx: float
    dy: float


@dataclass(frozen=True, kw_only=True)
class PaneShown:
    """One picture of the pair."""

    s: float  # the frame's time on the swing's clip, real seconds
    # What of the frame was seen: left, top, right, bottom in the clip's upright pixels, 3 wide to
    # 4 high, beyond the frame where that left an edge; None: as the sheet's still is cut.
    crop: tuple[float, float, float, float] | None = None
    lines: tuple[ShownLine, ...] = ()
    label: str = ""  # the number beside the lines, as the page wrote it
    ghost: Ghost | None = None

    def __post_init__(self) -> None:
        if self.crop is not None:
            left, top, right, bottom = self.crop
            if not (right > left and bottom > top):
                raise ValueError("a crop has its right edge right of its left, its bottom below")


@dataclass(frozen=True, kw_only=True)
class Shown:
    """From `at_s` of the take on, this is on the screen; None leaves that half empty."""

    at_s: float
    left: PaneShown | None
    right: PaneShown | None


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
    """One passage, spoken over one or two swings."""

    focus: int | None  # index among the findings' focus measures; None: about no one of them
    audio: str | None  # file in the take's folder: WAV, WebM, Ogg, MP4; None: no voice
    duration_s: float
    shown: tuple[Shown, ...]
    swings: tuple[SwingRef, ...] = ()  # left and right, or one alone; (): the focus measure's pair
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
        if len(self.swings) > 2:
            raise ValueError("a take shows one swing, or two beside each other")
        if self.focus is None and not self.swings:
            raise ValueError("a take about no one measure says which swings it shows")
        if self.swings and any(
            pane is not None and pane.crop is None
            for shown in self.shown
            for pane in (shown.left, shown.right)
        ):
            raise ValueError("a take of its own swings says what of each frame was seen")
        if len(self.swings) == 1 and any(shown.right is not None for shown in self.shown):
            raise ValueError("a take of one swing shows nothing on the right")
        if len(self.swings) == 1 and any(
            shown.left is not None and shown.left.ghost is not None for shown in self.shown
        ):
            raise ValueError("a take of one swing has no other to lay over it")


_ADAPTER: TypeAdapter[Take] = TypeAdapter(Take)


def take_json(take: Take) -> str:
    """Write a take as JSON; its sound is written beside it by who recorded it."""
    return _ADAPTER.dump_json(take, indent=1).decode()


def write_take(take: Take, path: Path) -> None:
    """Write a take's JSON to a file."""
    path.write_text(take_json(take), encoding="utf-8")


def read_take(source: Path | str) -> Take:
    """Read a take's JSON, from a file or as it is.

    Raises
    ------
    PackError : it is not there, or is no such JSON.
    """
    try:
        given = source.read_bytes() if isinstance(source, Path) else source
        return _ADAPTER.validate_json(given)
    except (OSError, ValidationError) as err:
        raise PackError(
            say("this recorded passage cannot be read"),
            path=source if isinstance(source, Path) else None,
            do=say("record the passage again; the other passages were kept"),
        ) from err
