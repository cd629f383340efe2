"""What the rows of the record are to people: '2 lessons', not 'lesson 2'."""

from __future__ import annotations

from collections.abc import Mapping

from lessonmark.language import say_n

__all__ = ["row_words"]


def row_words(rows: Mapping[str, int]) -> list[str]:
    """Say how many of each thing there are, those that there are none of left out.

    Parameters
    ----------
    rows : by the table's name, as `ErasureReport.rows` has them.

    Raises
    ------
    KeyError : a table that no words are written for.
    """
    return [_counted(table, n) for table, n in rows.items() if n]


def _counted(table: str, n: int) -> str:
    return {
        "player": say_n("{n} player", "{n} players", n),
        "injury_note": say_n("{n} note on an injury", "{n} notes on injuries", n),
        "lesson": say_n("{n} lesson", "{n} lessons", n),
        "focus": say_n("{n} focus measure", "{n} focus measures", n),
        "cue": say_n("{n} cue", "{n} cues", n),
        "drill_set": say_n("{n} drill that was set", "{n} drills that were set", n),
        "picture_choice": say_n("{n} chosen pair of pictures", "{n} chosen pairs of pictures", n),
        "lesson_finding": say_n("{n} lesson's numbers", "{n} lessons' numbers", n),
        "former_finding": say_n("{n} lesson's former numbers", "{n} lessons' former numbers", n),
        "planned_practice": say_n("{n} practice plan", "{n} practice plans", n),
        "attempt": say_n("{n} try at a checkpoint", "{n} tries at checkpoints", n),
        "target_window": say_n("{n} target window", "{n} target windows", n),
        "cause_step": say_n("{n} step of a chain of causes", "{n} steps of chains of causes", n),
        "passage": say_n("{n} recorded passage", "{n} recorded passages", n),
        "pack_order": say_n("{n} pack", "{n} packs", n),
        "clip": say_n("{n} clip", "{n} clips", n),
        "media": say_n("{n} clip's file", "{n} clips' files", n),
        "swing": say_n("{n} swing", "{n} swings", n),
        "correction": say_n("{n} correction by hand", "{n} corrections by hand", n),
        "owner": say_n("{n} coach's hold on them", "{n} coaches' hold on them", n),
        "account": say_n("{n} account", "{n} accounts", n),
        "account_session": say_n("{n} browser signed in", "{n} browsers signed in", n),
    }[table]
