"""Keep the player's name out of a pack where the coach does not want it there.

`without_name` of the sheet takes the name itself out. Two more ways in are closed or told here:
clips are called as their files were, and coaches name files after players; and the coach's own
words may hold the name, which only they can change.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping

from pydantic import TypeAdapter

from lessonmark.lessons.findings import Findings
from lessonmark.lessons.folding import fold

__all__ = ["call_clips_by_number", "where_the_name_stands"]

_FINDINGS: TypeAdapter[Findings] = TypeAdapter(Findings)
_SHORTEST = 3  # letters: shorter parts of a name turn up in other words


def call_clips_by_number(
    findings: Findings, clips: Iterable[str]
) -> tuple[Findings, dict[str, str]]:
    """Call clips 'clip-01' and so on, wherever the findings name them.

    Parameters
    ----------
    clips : the names as they stand there, in the order to count them in.

    Returns
    -------
    the findings, and each clip's old name with its new one.
    """
    names = {clip: f"clip-{n:02d}" for n, clip in enumerate(clips, start=1)}
    text = _FINDINGS.dump_json(findings).decode()
    # The longest first: one name may be the end of another.
    for clip in sorted(names, key=len, reverse=True):
        text = text.replace(json.dumps(clip, ensure_ascii=False)[1:-1], names[clip])
    return _FINDINGS.validate_json(text), names


def where_the_name_stands(name: str, texts: Mapping[str, str]) -> tuple[str, ...]:
    """Find which of the coach's texts hold a part of the player's name.

    Parameters
    ----------
    texts : by what they are called.
    """
    parts = [part for part in re.findall(r"\w+", fold(name)) if len(part) >= _SHORTEST]
    return tuple(
        called for called, text in texts.items() if set(parts) & set(re.findall(r"\w+", fold(text)))
    )
