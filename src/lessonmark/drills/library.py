"""The drill library: plain TOML files that a coach reads, edits and adds to.

One file holds one drill. What the project brings lies beside this module, a coach's own lie in a
folder of their own; a file there with the same id takes the place of ours. Files are checked once,
here; what comes out can be trusted.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from enum import StrEnum
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from lessonmark.drills.safety_words import keep_clear, soft_only
from lessonmark.errors import LessonFileError, RecordError
from lessonmark.language import say, spoken
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.registry import entry
from lessonmark.words import View

__all__ = [
    "NO_SOURCE",
    "Checkpoint",
    "Constraint",
    "Dose",
    "Drill",
    "DrillChange",
    "JuniorLimits",
    "Words",
    "caution_sentences",
    "cautions_of_its_own",
    "drills_for",
    "find_drill",
    "read_drill",
    "read_library",
]

NO_SOURCE = "common practice, no source"
LIBRARY = "library"
_ID = r"^[a-z0-9]+(-[a-z0-9]+)*$"
Text = Annotated[str, Field(min_length=1, max_length=400)]


class Constraint(StrEnum):
    """What holds the movement in its way."""

    OBSTACLE = "obstacle"
    STOP_EARLY = "stop early"
    SHORT_BACKSWING = "short backswing"
    SET = "eyes and shoulders set"
    SLOW_MOTION = "slow motion"
    FEET_TOGETHER = "feet together"
    STEP = "step"
    PAUSE = "pause"
    RHYTHM = "rhythm"
    CONTACT = "contact"
    ONE_ARM = "one arm"
    SPLIT_HANDS = "split hands"
    GROUND_TARGET = "ground target"
    VARIED = "varied"


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _OfMeasure(_Strict):
    measure: str  # 'side_bend@P6', or 'tempo'
    view: View

    @model_validator(mode="after")
    def _is_measured(self) -> _OfMeasure:
        at = MeasureAt.parse(self.measure)
        try:
            found = entry(at.measure)
        except KeyError:
            raise ValueError(f"there is no measure called {at.measure}") from None
        if self.view not in found.views or (
            at.position not in found.positions_from(self.view)
            if not found.is_span
            else at.position is not None
        ):
            raise ValueError(f"{self.measure} is not measured {self.view}")
        return self

    @property
    def at(self) -> MeasureAt:
        """The measure and its position."""
        return MeasureAt.parse(self.measure)


class DrillChange(_OfMeasure):
    """What a drill is for: a measure and which way it should go."""

    direction: Literal["more", "less"]


class Dose(_Strict):
    """One block of a drill."""

    sets: Annotated[int, Field(ge=1, le=10)]
    swings: Annotated[int, Field(ge=1, le=30)]  # a set
    speed: Literal["slow", "half", "three quarters", "full"]
    rest_s: Annotated[int, Field(ge=0, le=600)]  # between sets

    @property
    def total(self) -> int:
        """Swings of a block."""
        return self.sets * self.swings


class Checkpoint(_OfMeasure):
    """What ends a drill: a measure met in so many swings of so many."""

    comparison: Literal["at least", "at most", "more than before", "less than before"]
    value: float  # in the measure's unit; for the last two by how much
    met: Annotated[int, Field(ge=1, le=20)]
    of: Annotated[int, Field(ge=1, le=20)]

    @model_validator(mode="after")
    def _can_be_met(self) -> Checkpoint:
        if self.met > self.of:
            raise ValueError(f"{self.met} swings of {self.of} cannot be met")
        if self.is_relative and not self.value > 0:
            raise ValueError("a change against before is above 0")
        return self

    @property
    def is_relative(self) -> bool:
        """Whether it is held against the player's own before."""
        return self.comparison.endswith("before")


class JuniorLimits(_Strict):
    """For players under 18."""

    most_swings: Annotated[int, Field(ge=0, le=200)]  # of this drill in a session
    note: str = ""


class Words(_Strict):
    """A drill's words in another language; what is left out stays as it is."""

    name: str = ""
    set_up: tuple[Text, ...] = ()
    cue: str = ""
    easier: str = ""
    harder: str = ""


class Drill(_Strict):
    """One drill, as its file says it."""

    id: Annotated[str, Field(pattern=_ID, max_length=80)]
    name: Annotated[str, Field(min_length=1, max_length=200)]
    constraint: Constraint
    source: Text  # or 'common practice, no source'
    set_up: Annotated[tuple[Text, ...], Field(min_length=1)]
    dimensions_cm: dict[str, Annotated[float, Field(ge=0, le=1000)]] = {}
    cue: Text
    easier: Text
    harder: Text
    changes: Annotated[tuple[DrillChange, ...], Field(min_length=1)]
    dose: Dose
    checkpoint: Checkpoint
    cautions: tuple[str, ...]  # keys, or a sentence of the coach's own
    juniors: JuniorLimits
    words: dict[str, Words] = {}  # by language

    @field_validator("cautions")
    @classmethod
    def _names_known(cls, given: tuple[str, ...]) -> tuple[str, ...]:
        for key in given:
            if " " not in key and key not in _CAUTIONS:
                raise ValueError(f"caution '{key}' is not known: {', '.join(_CAUTIONS)}")
        return given

    @model_validator(mode="after")
    def _is_safe(self) -> Drill:
        if self.constraint is Constraint.OBSTACLE and "soft" not in self.cautions:
            raise ValueError("a drill with an obstacle carries the caution 'soft'")
        return self

    def said(self) -> Words:
        """Give its words in the language now spoken."""
        own = Words(
            name=self.name, set_up=self.set_up, cue=self.cue, easier=self.easier, harder=self.harder
        )
        other = self.words.get(spoken())
        if other is None:
            return own
        return Words(
            name=other.name or own.name,
            set_up=other.set_up or own.set_up,
            cue=other.cue or own.cue,
            easier=other.easier or own.easier,
            harder=other.harder or own.harder,
        )


_FOR_EVERY_DRILL = ("soft", "space", "back", "balance")
_CAUTIONS = (*_FOR_EVERY_DRILL, "slow", "no_ball", "grip", "knee")


def caution_sentences(drill: Drill) -> tuple[str, ...]:
    """Say the cautions that stand beside a drill; common practice, no source."""
    known = {
        "soft": soft_only(),
        "space": keep_clear(),
        "back": say("Stop at once when the back hurts, and ask before going on."),
        "balance": say("Stand on dry, level ground; stop when you lose your balance."),
        "slow": say("Slow swings only: stopping a fast club hurts wrists and elbows."),
        "no_ball": say("No ball with this drill."),
        "grip": say("Hold firmly; with a wet grip or a sore wrist leave it out."),
        "knee": say("With a sore knee leave it out."),
    }
    return tuple(known.get(key, key) for key in drill.cautions)


def cautions_of_its_own(drill: Drill) -> tuple[str, ...]:
    """Say those of its cautions that mean this drill alone, and nothing apart from it."""
    said = zip(drill.cautions, caution_sentences(drill), strict=True)
    return tuple(sentence for key, sentence in said if key not in _FOR_EVERY_DRILL)


def read_library(*folders: Path | None) -> tuple[Drill, ...]:
    """Read all drills, by name; a coach's own with the same id stand in for ours.

    Parameters
    ----------
    folders : of the coach's own TOML files; what comes later stands in for what came before.
        None is none.

    Raises
    ------
    LessonFileError : a file cannot be used; says which and why.
    """
    ours = resources.files("lessonmark.drills") / LIBRARY
    drills = {drill.id: drill for drill in _read_all(ours.iterdir())}
    for folder in folders:
        if folder is None:
            continue
        if not folder.is_dir():
            raise LessonFileError(
                say("there is no such folder of drills"),
                path=folder,
                do=say("give the folder that holds the TOML files"),
            )
        own: dict[str, Drill] = {}
        for file in sorted(folder.glob("*.toml")):
            drill = read_drill(file)
            if drill.id in own:
                raise LessonFileError(
                    say("the id '{id}' is used by two files", id=drill.id),
                    path=file,
                    do=say("give each drill an id of its own"),
                )
            own[drill.id] = drill
        drills |= own
    return tuple(sorted(drills.values(), key=lambda drill: drill.said().name))


def read_drill(file: Path | Traversable) -> Drill:
    """Read and check one drill's file.

    Raises
    ------
    LessonFileError : it cannot be read, is no TOML, has an unknown key or an impossible value.
    """
    path = Path(str(file))
    try:
        raw = tomllib.loads(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as err:
        raise LessonFileError(
            say("the file cannot be read as UTF-8 text"), path=path, do=say("save it as UTF-8 text")
        ) from err
    except tomllib.TOMLDecodeError as err:
        raise LessonFileError(
            say("the file is not TOML: {why}", why=err), path=path, do=say("mend that line")
        ) from err
    try:
        return Drill.model_validate(raw)
    except ValidationError as err:
        # A misspelt key is told before the one that it leaves missing.
        first = min(err.errors(), key=lambda one: one["type"] != "extra_forbidden")
        where = ".".join(str(part + 1) if isinstance(part, int) else part for part in first["loc"])
        if first["type"] == "extra_forbidden":
            what = say("unknown key '{key}'", key=first["loc"][-1])
        elif first["type"] == "missing":
            what = say("'{key}' is missing", key=first["loc"][-1])
        else:
            what = say("it cannot be used: {why}", why=first["msg"].removeprefix("Value error, "))
        raise LessonFileError(
            what,
            path=path,
            where=where,
            do=say("compare it with a drill of the library"),
        ) from err


def find_drill(drills: Iterable[Drill], id: str) -> Drill:
    """Find a drill by its id.

    Raises
    ------
    RecordError : there is none.
    """
    for drill in drills:
        if drill.id == id:
            return drill
    raise RecordError(
        say("there is no drill called '{id}'", id=id), do=say("choose one from the list of drills")
    )


def drills_for(
    drills: Iterable[Drill], at: MeasureAt, direction: str, view: View
) -> tuple[Drill, ...]:
    """List the drills that move a measure the wanted way; its own position comes first.

    A drill for the same measure at another position is listed after them.
    """
    fitting = [
        (change.at.position != at.position, number, drill)
        for number, drill in enumerate(drills)
        for change in drill.changes
        if change.at.measure == at.measure
        and change.view is view
        and direction in ("", change.direction)
    ]
    best: dict[str, tuple[bool, int, Drill]] = {}
    for one in fitting:
        if one[2].id not in best or one[0] < best[one[2].id][0]:
            best[one[2].id] = one
    return tuple(drill for _, _, drill in sorted(best.values(), key=lambda one: one[:2]))


def _read_all(files: Iterable[Traversable]) -> Iterable[Drill]:
    for file in files:
        if file.name.endswith(".toml"):
            yield read_drill(file)
