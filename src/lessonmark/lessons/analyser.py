"""The one narrow way from the record to the analysis, so that pages can be tried without it.

The record hands over plain values and paths, and gets the frozen findings back; it never sees a
track or a frame itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from lessonmark.evidence.scatter import Scatter
from lessonmark.lessons.findings import (
    ClipFinding,
    ClipProblem,
    Findings,
    PlayerFacts,
    SwingFinding,
)
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.stick import Stick
from lessonmark.media.proxies import Proxy
from lessonmark.words import Handedness, Position, Stage, View

__all__ = [
    "Analyser",
    "CatalogueEntry",
    "CauseWish",
    "ClipJob",
    "Curve",
    "CurveLine",
    "FocusWish",
    "LessonJob",
    "MovedLandmark",
    "Moves",
    "PictureWish",
    "SwingLook",
]


@dataclass(frozen=True, kw_only=True)
class ClipJob:
    """One clip to analyse."""

    path: Path
    clip: str  # its name inside the lesson, unique there
    sha256: str
    stage: Stage
    view: View | None  # None: not known, to be guessed from the picture
    handedness: Handedness
    stature_cm: float | None
    club_length_cm: float | None
    fps_declared: float | None  # where the container lies
    derived: Path  # folder for what can be made again: tracks, frame packs
    mirrored: bool = False  # the picture swaps left and right
    stick: Stick | None = None  # on the target line, its ends clicked, px
    stick_cm: float | None = None  # from end to end; None: not known


@dataclass(frozen=True, kw_only=True)
class FocusWish:
    """A focus measure as the coach set it."""

    at: MeasureAt
    view: View
    direction: str  # 'more', 'less' or ''
    smallest_worth: float | None  # None: the analysis's own default


@dataclass(frozen=True, kw_only=True)
class PictureWish:
    """The swings that the coach wants beside each other for a measure."""

    at: MeasureAt
    view: View
    before: str  # swing ids
    after: str


@dataclass(frozen=True, kw_only=True)
class CauseWish:
    """A step of the chain of causes that the coach has in mind."""

    words: str
    at: MeasureAt
    way: str  # 'more' or 'less'


@dataclass(frozen=True, kw_only=True)
class LessonJob:
    """A lesson whose clips are analysed, to be judged as a whole."""

    title: str
    date: str  # ISO 8601
    player: PlayerFacts
    club: str
    club_length_cm: float | None
    drill: str
    focus: tuple[FocusWish, ...]
    pictures: tuple[PictureWish, ...]
    clips: tuple[ClipFinding, ...]
    problems: tuple[ClipProblem, ...]
    media: Mapping[str, Path]  # clip -> its file
    derived: Mapping[str, Path]  # clip -> its folder
    moved: Mapping[str, tuple[MovedLandmark, ...]]  # clip -> landmarks moved by hand
    folder: Path  # the pictures go to folder/pictures
    causes: tuple[CauseWish, ...] = ()
    scatters: Mapping[tuple[MeasureAt, View], Scatter] = field(default_factory=dict)  # own, earlier


@dataclass(frozen=True, kw_only=True)
class MovedLandmark:
    """A landmark that the coach put somewhere else in one frame."""

    keypoint: str  # 'lead_hip', 'clubhead'
    s: float  # the frame, on the clip's clock
    x: float  # px
    y: float


@dataclass(frozen=True, kw_only=True)
class Moves:
    """All corrections of a swing that still stand."""

    landmarks: tuple[MovedLandmark, ...] = ()
    positions: Mapping[Position, float] = field(default_factory=dict)  # s


@dataclass(frozen=True, kw_only=True)
class SwingLook:
    """What the viewer draws over the frames of one swing."""

    times: tuple[float, ...]  # s, one a row of the paths; most frames have one
    paths: Mapping[str, tuple[tuple[float, float] | None, ...]]  # keypoint -> px a frame, or hidden
    joined: tuple[tuple[str, str], ...]  # keypoints that a line joins
    toward: int  # +1: the target (or the ball) lies to the image's right, -1: left
    ball: tuple[float, float] | None  # px, where it lay


@dataclass(frozen=True, kw_only=True)
class CurveLine:
    """A line that shows a measure, by the names of its points."""

    points: tuple[str, ...]
    kind: str  # 'line', 'plumb', 'level', 'then', as in the catalogue


@dataclass(frozen=True, kw_only=True)
class Curve:
    """A measure along a swing."""

    times: tuple[float, ...]  # s
    values: tuple[float | None, ...]  # None: cannot be had then
    lines: tuple[CurveLine, ...]


@dataclass(frozen=True, kw_only=True)
class CatalogueEntry:
    """A measure that can be chosen as a focus."""

    at: MeasureAt
    view: View
    name: str  # in the language now spoken
    unit: str
    reads: str  # what a coach reads from it


class Analyser(Protocol):
    """What the record asks of the analysis."""

    def catalogue(self) -> tuple[CatalogueEntry, ...]:
        """List what can be measured."""

    def analyse_clip(self, job: ClipJob, tell: Callable[[float], None]) -> ClipFinding:
        """Track and measure one clip; `tell` takes the share done, 0 to 1.

        Raises
        ------
        LessonmarkError : the clip cannot be used.
        """

    def measure_again(self, job: ClipJob, swing: SwingFinding, moves: Moves) -> SwingFinding:
        """Measure a swing with the coach's corrections on its stored track."""

    def analyse_lesson(self, job: LessonJob) -> Findings:
        """Judge a lesson from its measured swings; quick, and without pictures."""

    def make_pictures(self, job: LessonJob, findings: Findings) -> Findings:
        """Add the picture pairs, written into the job's folder."""

    def look(self, job: ClipJob, swing: SwingFinding, moves: Moves) -> SwingLook:
        """Give what the viewer draws over a swing's frames.

        Raises
        ------
        LessonmarkError : the track is gone and must be made again.
        """

    def curve(self, job: ClipJob, swing: SwingFinding, moves: Moves, at: MeasureAt) -> Curve:
        """Give a measure along the swing."""

    def frame_pack(self, job: ClipJob) -> Proxy:
        """Give the clip's pack of frames, made where it is not there yet."""
