"""A log of attempts at checkpoints: one line of JSON each, added and never rewritten.

Streaks are of met checkpoints, not of days: a day without practice breaks nothing.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from lessonmark.errors import RecordError
from lessonmark.language import say, say_n

__all__ = ["Attempt", "add_attempt", "read_attempts", "streak", "streak_sentence"]


@dataclass(frozen=True, kw_only=True)
class Attempt:
    """One attempt at a drill's checkpoint."""

    at: datetime  # with a time zone
    drill: str  # id
    checkpoint: str  # 'side_bend@P6 at least 16'
    met: int
    swings: int
    is_met: bool

    def __post_init__(self) -> None:
        if self.at.tzinfo is None:
            raise ValueError("an attempt's moment needs its time zone")
        if not 0 <= self.met <= self.swings:
            raise ValueError(f"{self.met} of {self.swings} swings cannot be met")


def add_attempt(log: Path, attempt: Attempt) -> None:
    """Add an attempt at the end of the log; what is there stays."""
    line = json.dumps(asdict(attempt) | {"at": attempt.at.isoformat()}, ensure_ascii=False)
    log.parent.mkdir(parents=True, exist_ok=True)
    with log.open("a", encoding="utf-8") as file:
        file.write(line + "\n")


def read_attempts(log: Path) -> tuple[Attempt, ...]:
    """Read the log; empty where there is none yet.

    Raises
    ------
    RecordError : a line is not an attempt; the file is left as it is.
    """
    if not log.exists():
        return ()
    attempts = []
    for number, line in enumerate(log.read_text(encoding="utf-8").splitlines(), start=1):
        try:
            raw = json.loads(line)
            attempts.append(Attempt(**(raw | {"at": datetime.fromisoformat(raw["at"])})))
        except (ValueError, TypeError, KeyError) as err:
            raise RecordError(
                say("this line of the practice log cannot be read"),
                path=log,
                where=say("line {number}", number=number),
                do=say("take the line out, or move the file away to begin a new log"),
            ) from err
    return tuple(attempts)


def streak(attempts: Sequence[Attempt], drill: str) -> int:
    """Count the met checkpoints in a row up to the last attempt at a drill."""
    count = 0
    for attempt in reversed([one for one in attempts if one.drill == drill]):
        if not attempt.is_met:
            break
        count += 1
    return count


def streak_sentence(count: int) -> str:
    """Say a streak; nothing for none."""
    if count == 0:
        return ""
    return say_n("Met {n} time in a row.", "Met {n} times in a row.", count)
