"""Where the clips of a lesson lie: below its folder, or each in a place of its own."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from lessonmark.errors import PackError
from lessonmark.language import say

__all__ = ["ClipPlaces", "clip_place"]

ClipPlaces = Path | Mapping[str, Path]  # the record keeps clips under their content's hash


def clip_place(places: ClipPlaces, clip: str) -> Path:
    """Give a clip's file by its name in the findings.

    Raises
    ------
    PackError : no place is known for it.
    """
    if isinstance(places, Path):
        return places / clip
    if clip not in places:
        raise PackError(
            say("a clip of this lesson can no longer be played"),
            path=clip,
            do=say("put the clip back into the lesson's folder and make the video again"),
        )
    return places[clip]
