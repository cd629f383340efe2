"""Read `lesson.toml`: who, what club, which clips, what the coach set out to change.

Input is checked once, here; what comes out can be trusted.
"""

from __future__ import annotations

import datetime
import difflib
import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from lessonmark.errors import LessonFileError
from lessonmark.language import say
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.stick import STICK_CM
from lessonmark.words import Handedness, Stage, View

__all__ = [
    "ChainEntry",
    "ClipEntry",
    "ClubEntry",
    "FocusEntry",
    "LessonFile",
    "PlayerEntry",
    "read_lesson_file",
]

LESSON_FILE = "lesson.toml"

# cm; a child of six to the tallest people on record. Outside it is a slip of the pen.
_STATURE_CM = (100.0, 230.0)
# cm; Equipment Rules of The R&A and USGA, part 2.1c: 18 to 48 inches (putters aside).
_CLUB_LENGTH_CM = (45.7, 121.9)
_FOCUS_MAX = 3  # DESIGN.md, section 2: one to three


Finite = Annotated[float, Field(allow_inf_nan=False)]
StickLength = Annotated[float, Field(ge=STICK_CM[0], le=STICK_CM[1])]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class PlayerEntry(_Strict):
    """[player]"""

    name: str = ""
    handedness: Handedness
    stature_cm: Annotated[float, Field(ge=_STATURE_CM[0], le=_STATURE_CM[1])]
    birth_year: Annotated[int, Field(ge=1900, le=2100)] | None = None


class ClubEntry(_Strict):
    """[club]"""

    name: str
    length_cm: Annotated[float, Field(ge=_CLUB_LENGTH_CM[0], le=_CLUB_LENGTH_CM[1])]


class FocusEntry(_Strict):
    """[[focus]]: a measure that the coach named before the after-swings are judged."""

    measure: str  # 'side_bend@P6', or 'tempo' for the whole swing
    direction: Annotated[str, Field(pattern="^(more|less|)$")] = ""
    smallest_worth: Annotated[float, Field(gt=0)]  # in the measure's unit
    view: View | None = None  # where a measure can be had from both

    @field_validator("measure")
    @classmethod
    def _reads(cls, text: str) -> str:
        MeasureAt.parse(text)
        return text

    @property
    def at(self) -> MeasureAt:
        """The measure and its position."""
        return MeasureAt.parse(self.measure)


class ChainEntry(_Strict):
    """[[chain]]: a step of the chain of causes that the coach has in mind, first cause first."""

    step: str  # in the coach's words: 'early slide'
    measure: str  # what shows it: 'pelvis_shift@P4'
    way: Annotated[str, Field(pattern="^(more|less)$")] = "more"

    @field_validator("measure")
    @classmethod
    def _reads(cls, text: str) -> str:
        MeasureAt.parse(text)
        return text


class ClipEntry(_Strict):
    """[[clip]]"""

    file: str
    view: View
    stage: Stage
    fps_filmed: Annotated[float, Field(gt=0, le=2000)] | None = None  # where the container lies
    mirrored: bool = False  # a selfie camera that swaps left and right
    # The ends of a stick on the target line, px; holds for the clips of this view and stage.
    stick: tuple[tuple[Finite, Finite], tuple[Finite, Finite]] | None = None
    stick_cm: StickLength | None = None  # its length, where it is known: then it gives a scale too
    same_swing: str = ""  # the same word on a face-on and a down-the-line clip pairs them

    @model_validator(mode="after")
    def _length_of_a_stick(self) -> ClipEntry:
        if self.stick_cm is not None and self.stick is None:
            raise ValueError("stick_cm needs stick, the two ends that were clicked")
        return self


class LessonEntry(_Strict):
    """[lesson]"""

    title: str
    date: datetime.date
    drill: str = ""  # in words
    air_temperature_c: Annotated[float, Field(ge=-20, le=50)] = 15.0


class LessonFile(_Strict):
    """A whole lesson.toml."""

    lesson: LessonEntry
    player: PlayerEntry
    club: ClubEntry
    focus: Annotated[tuple[FocusEntry, ...], Field(max_length=_FOCUS_MAX)] = ()
    chain: tuple[ChainEntry, ...] = ()
    clip: Annotated[tuple[ClipEntry, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _each_clip_once(self) -> LessonFile:
        files = [clip.file for clip in self.clip]
        twice = sorted({file for file in files if files.count(file) > 1})
        if twice:
            raise ValueError(f"listed twice: {', '.join(twice)}")
        return self


def read_lesson_file(folder: Path) -> LessonFile:
    """Read and check the lesson.toml of a lesson's folder.

    Raises
    ------
    LessonFileError : the file is not there, is not TOML, has an unknown key or an impossible
        value, or names a clip outside the folder. A clip that is merely missing is no error here:
        it is reported when its turn comes, and the other clips go on.
    """
    path = folder / LESSON_FILE
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as err:
        raise LessonFileError(
            say("there is no lesson.toml that can be read in this folder"),
            path=path,
            do=say("give the folder that holds lesson.toml and the clips"),
        ) from err
    except UnicodeDecodeError as err:
        raise LessonFileError(
            say("the file is not text in UTF-8"), path=path, do=say("save it as UTF-8 text")
        ) from err
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        raise LessonFileError(
            say("the file is not TOML: {why}", why=err), path=path, do=say("mend that line")
        ) from err
    except RecursionError as err:
        raise LessonFileError(
            say("the file holds brackets inside brackets without end"),
            path=path,
            do=say("write it as in the manual"),
        ) from err
    try:
        lesson = LessonFile.model_validate(raw)
    except ValidationError as err:
        raise _in_words(err, path) from err
    for number, clip in enumerate(lesson.clip, start=1):
        inside = (folder / clip.file).resolve()
        if not inside.is_relative_to(folder.resolve()):
            raise LessonFileError(
                say("the clip {file} lies outside the lesson's folder", file=clip.file),
                path=path,
                where=f"clip {number}",
                do=say("copy the clip into the folder and name it from there"),
            )
    return lesson


def _in_words(err: ValidationError, path: Path) -> LessonFileError:
    """Turn the first thing that is wrong into what, where and what to do."""
    # A misspelt key is told before the one that it leaves missing.
    first = min(err.errors(), key=lambda one: one["type"] != "extra_forbidden")
    where = ".".join(str(part + 1) if isinstance(part, int) else part for part in first["loc"])
    key = str(first["loc"][-1]) if first["loc"] else LESSON_FILE
    limits = first.get("ctx", {})
    given = first.get("input")
    if first["type"] == "extra_forbidden":
        near = difflib.get_close_matches(key, _known_keys(first["loc"]), n=1)
        do = (
            say("did you mean '{near}'", near=near[0])
            if near
            else say("known here: {keys}", keys=", ".join(_known_keys(first["loc"])))
        )
        return LessonFileError(say("unknown key '{key}'", key=key), path=path, where=where, do=do)
    if first["type"] == "missing":
        return LessonFileError(
            say("'{key}' is missing", key=key), path=path, where=where, do=say("add it")
        )
    if first["type"] in ("greater_than_equal", "less_than_equal", "greater_than"):
        bound = limits.get("ge", limits.get("le", limits.get("gt")))
        return LessonFileError(
            say("{key} = {given} cannot be right", key=key, given=given),
            path=path,
            where=where,
            do=(
                say("give a value of at most {bound}", bound=bound)
                if first["type"] == "less_than_equal"
                else say("give a value of at least {bound}", bound=bound)
                if first["type"] == "greater_than_equal"
                else say("give a value above {bound}", bound=bound)
            ),
        )
    if first["type"] == "enum":
        return LessonFileError(
            say("{key} = '{given}' is not known", key=key, given=given),
            path=path,
            where=where,
            do=say("use one of {words}", words=limits.get("expected", "")),
        )
    return LessonFileError(
        say("'{key}' cannot be used: {why}", key=key, why=first["msg"]), path=path, where=where
    )


def _known_keys(place: tuple[int | str, ...]) -> list[str]:
    """List the keys that may stand beside the one at `place`."""
    model: type[BaseModel] = LessonFile
    tables: dict[str, type[BaseModel]] = {
        "lesson": LessonEntry,
        "player": PlayerEntry,
        "club": ClubEntry,
        "focus": FocusEntry,
        "chain": ChainEntry,
        "clip": ClipEntry,
    }
    if len(place) > 1:
        model = tables.get(str(place[0]), LessonFile)
    return list(model.model_fields)
