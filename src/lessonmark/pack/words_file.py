"""pack.toml: the coach's words for a pack, beside lesson.toml, for who works from a terminal.

    coach = "Robin Demo"
    causes = ["The hips slide early", "so the arms are late", "so the hinge is let go"]
    cues = ["Arms first, then the hip."]
    next = "film five swings face-on in three weeks"

    [[plan]]
    drill = "noodle-behind-hip"   # an id of the library brings cue, checkpoint and cautions
    dose = "3 sets of 8, twice a week"

Every key may be left out. A drill that neither the library nor the coach's own drills know is taken
as the coach's words.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from lessonmark.drills.library import Drill, read_library
from lessonmark.errors import PackError
from lessonmark.language import say
from lessonmark.pack.coach_words import CoachWords, PlanLine
from lessonmark.pack.from_record import plan_line

__all__ = ["WORDS_NAME", "read_words"]

WORDS_NAME = "pack.toml"
_Text = Annotated[str, Field(max_length=400)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Line(_Strict):
    drill: Annotated[_Text, Field(min_length=1)]
    dose: _Text = ""
    cue: _Text = ""
    checkpoint: _Text = ""
    cautions: tuple[_Text, ...] = ()


class _Words(_Strict):
    coach: _Text = ""
    causes: tuple[_Text, ...] = ()
    plan: tuple[_Line, ...] = ()
    cues: tuple[_Text, ...] = ()
    next: _Text = ""
    note: _Text = ""


def read_words(folder: Path, *, drills: Iterable[Drill] | None = None) -> CoachWords:
    """Read a lesson folder's pack.toml.

    Parameters
    ----------
    folder : the lesson's.
    drills : those that a line of the plan may name; None for what the project brings.

    Returns
    -------
    CoachWords : empty where the folder has no such file.

    Raises
    ------
    PackError : the file cannot be used; says where and why.
    """
    path = folder / WORDS_NAME
    if not path.exists():
        return CoachWords()
    try:
        given = _Words.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, UnicodeDecodeError) as err:
        raise PackError(
            say("the file cannot be read as UTF-8 text"), path=path, do=say("save it as UTF-8 text")
        ) from err
    except tomllib.TOMLDecodeError as err:
        raise PackError(
            say("the file is not TOML: {why}", why=err), path=path, do=say("mend that line")
        ) from err
    except ValidationError as err:
        first = min(err.errors(), key=lambda one: one["type"] != "extra_forbidden")
        where = ".".join(str(part + 1) if isinstance(part, int) else part for part in first["loc"])
        unknown = first["type"] == "extra_forbidden"
        raise PackError(
            say("unknown key '{key}'", key=first["loc"][-1])
            if unknown
            else say("it cannot be used: {why}", why=first["msg"]),
            path=path,
            where=where,
            do=say("known here: {keys}", keys=", ".join(_Words.model_fields)),
        ) from err
    known = {drill.id: drill for drill in (read_library() if drills is None else drills)}
    return CoachWords(
        coach=given.coach,
        causes=given.causes,
        plan=tuple(_line(line, known) for line in given.plan),
        cues=given.cues,
        next_step=given.next,
        note=given.note,
    )


def _line(line: _Line, known: Mapping[str, Drill]) -> PlanLine:
    drill = known.get(line.drill)
    if drill is None:
        return PlanLine(
            drill=line.drill,
            dose=line.dose,
            cue=line.cue,
            checkpoint=line.checkpoint,
            cautions=line.cautions,
            cautions_of_its_own=line.cautions,
        )
    brought = plan_line(drill, dose=line.dose)
    return PlanLine(
        drill=brought.drill,
        dose=brought.dose,
        cue=line.cue or brought.cue,
        checkpoint=line.checkpoint or brought.checkpoint,
        cautions=(*brought.cautions, *line.cautions),
        cautions_of_its_own=(*brought.cautions_of_its_own, *line.cautions),
    )
