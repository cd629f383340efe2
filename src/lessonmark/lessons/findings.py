"""What an analysis found: the values that sheet, page, pack and JSON are all made from.

Everything here is frozen and made of plain values, so that `findings_json` can write it and read
it back without loss. Nothing here computes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import TypeAdapter

from lessonmark.evidence.change import Change
from lessonmark.evidence.links import Association
from lessonmark.evidence.scatter import Scatter
from lessonmark.lessons.made_with import MadeWith
from lessonmark.measures.camera_check import CameraCheck
from lessonmark.measures.measured import MeasureAt, Measured, Refused
from lessonmark.measures.scale_value import Scale
from lessonmark.measures.seen import BallSeen
from lessonmark.positions.times import SwingPositions
from lessonmark.words import Handedness, Position, Stage, View

__all__ = [
    "ClipFinding",
    "ClipProblem",
    "DrawnLine",
    "Findings",
    "FocusFinding",
    "PicturePair",
    "PlayerFacts",
    "SideEffect",
    "StageValues",
    "StillPicture",
    "SwingFinding",
    "read_findings",
    "write_findings",
]


@dataclass(frozen=True, kw_only=True)
class PlayerFacts:
    """What the lesson says about the player; the name only where the coach wants it."""

    name: str
    handedness: Handedness
    stature_cm: float
    birth_year: int | None = None


@dataclass(frozen=True, kw_only=True)
class SwingFinding:
    """One swing as seen in one clip."""

    swing_id: str  # 'before/face-on/clip_00#1': unique in a lesson
    clip: str  # path relative to the lesson's folder
    number: int  # 1 for the first swing of the clip
    stage: Stage
    view: View
    positions: SwingPositions
    values: Mapping[str, Measured]  # key: str(MeasureAt)
    refused: Mapping[str, Refused]  # key: str(MeasureAt), or a measure's id for all positions
    toward: int  # +1: target (face-on) or ball (down-the-line) to the image's right, -1: left
    ball: BallSeen | None  # at address; None: not found
    span_s: tuple[float, float]  # where the swing lies in the clip
    notes: tuple[str, ...] = ()  # stopped early, no backswing, no club seen
    corrected_with: str = ""  # version in short that measured what the coach moved; '' nothing


@dataclass(frozen=True, kw_only=True)
class ClipFinding:
    """One clip that could be read."""

    clip: str
    sha256: str
    stage: Stage
    view: View
    fps_filmed: float
    width: int
    height: int
    duration_s: float
    swings: tuple[SwingFinding, ...]
    track: str  # key of the track among the derived files
    stature_cm: float | None = None  # the player's, as declared
    handedness_seen: Handedness  # as in the picture: a mirrored right-hander seems left-handed
    scale: Scale | None  # None: lengths are in % of the torso
    camera: CameraCheck | None
    notes: tuple[str, ...] = ()  # warnings in plain words: mirrored? camera moved? no sound
    made_with: MadeWith | None = None  # None: from before versions were kept


@dataclass(frozen=True, kw_only=True)
class ClipProblem:
    """One clip that could not be used; the others of the lesson went on."""

    clip: str
    what: str
    do: str


@dataclass(frozen=True, kw_only=True)
class StageValues:
    """One measure in one stage: a dot a swing."""

    stage: Stage
    swing_ids: tuple[str, ...]
    values: tuple[Measured, ...]


@dataclass(frozen=True, kw_only=True)
class DrawnLine:
    """A measured line on a picture, in the picture's own pixels."""

    points: tuple[tuple[float, float], ...]
    role: str  # 'measured', or 'reference' (a vertical, a horizontal, where it was at P1)
    label: str = ""


@dataclass(frozen=True, kw_only=True)
class StillPicture:
    """A frame at a position, cropped to the player, with what is drawn over it."""

    swing_id: str
    position: Position
    jpeg: str  # file name inside the output folder's pictures/
    width: int
    height: int
    lines: tuple[DrawnLine, ...]
    caption: str  # 'before, swing 3: side bend 12.1 ± 1.9 °'
    crop: tuple[float, float, float, float] | None = None  # left, top, right, bottom in the frame


@dataclass(frozen=True, kw_only=True)
class PicturePair:
    """Before and after at the same position, each the swing nearest its stage's middle."""

    before: StillPicture
    after: StillPicture


@dataclass(frozen=True, kw_only=True)
class FocusFinding:
    """One focus measure: the top of the sheet."""

    at: MeasureAt
    view: View
    name: str  # plain name from the catalogue
    unit: str  # 'deg', 'cm', '% torso', 'ms', ''
    direction: str  # 'more', 'less', or '' where the coach set none
    smallest_worth: float
    stages: tuple[StageValues, ...]
    change: Change
    sentence: str  # the verdict in a player's words
    pictures: PicturePair | None = None
    scatter: Scatter | None = None  # known of the player before this lesson; None: nothing is


@dataclass(frozen=True, kw_only=True)
class SideEffect:
    """Something else that moved: a lead, never a headline."""

    at: MeasureAt
    view: View
    name: str
    unit: str
    stages: tuple[StageValues, ...]
    change: Change
    sentence: str


@dataclass(frozen=True, kw_only=True)
class Findings:
    """A whole lesson."""

    lesson_title: str
    date: str  # ISO 8601
    player: PlayerFacts
    club: str
    club_length_cm: float
    drill: str
    clips: tuple[ClipFinding, ...]
    problems: tuple[ClipProblem, ...]
    focus: tuple[FocusFinding, ...]
    side_effects: tuple[SideEffect, ...]
    not_measured: Mapping[str, Refused]  # key: 'view: measure', or a plain subject
    cautions: tuple[str, ...]
    scale_note: str  # where centimetres come from, or why lengths are in % of the torso
    software: str  # 'lessonmark 0.1.0'
    judged_with: str = ""  # version in short of what turned numbers into verdicts; '' not kept
    chain: tuple[str, ...] = ()  # the coach's chain of causes, link by link, in sentences
    links: tuple[Association, ...] = ()  # what goes together from swing to swing
    notes: tuple[str, ...] = field(default=())


_ADAPTER: TypeAdapter[Findings] = TypeAdapter(Findings)


def write_findings(findings: Findings, path: Path) -> None:
    """Write the findings as JSON (the sheet's `sheet.json`)."""
    path.write_bytes(_ADAPTER.dump_json(findings, indent=1))


def read_findings(path: Path) -> Findings:
    """Read what `write_findings` wrote.

    Raises
    ------
    pydantic.ValidationError : the file is not such a JSON.
    """
    return _ADAPTER.validate_json(path.read_bytes())
