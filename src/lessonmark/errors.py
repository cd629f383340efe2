"""What can go wrong, said so that a coach knows what to do.

The tree::

    LessonmarkError
    ├── LessonFileError        lesson.toml: an unknown key, an impossible value, a path outside
    ├── UnreadableClip         the file is no video, is cut short, or is empty
    ├── UnusableClip           a video, but nothing to measure: nobody in it, no swing, wrong view
    ├── WeightsMissing         the pose network's weights are not in the cache
    ├── CannotMeasure          one measure at one position; becomes a refused row, never a NaN
    ├── RecordError            the coach's record: not there, in the way, refused
    └── PackError              a sheet, page or video could not be made

Every one carries *what* was wrong, *where* and *what to do*, so that page, command line and
JSON show the same words.
"""

from __future__ import annotations

from pathlib import Path

__all__ = [
    "CannotMeasure",
    "LessonFileError",
    "LessonmarkError",
    "PackError",
    "RecordError",
    "UnreadableClip",
    "UnusableClip",
    "WeightsMissing",
]


class LessonmarkError(Exception):
    """Say what was wrong, where, and what to do about it.

    Parameters
    ----------
    what : one clause in plain words, lower case, no full stop.
    path : the file it is about, where there is one.
    where : the place inside the file (a key, a frame), where there is one.
    second : the time inside a clip, s.
    do : what the reader should do next, lower case, no full stop.
    """

    def __init__(
        self,
        what: str,
        *,
        path: Path | str | None = None,
        where: str | None = None,
        second: float | None = None,
        do: str = "",
    ) -> None:
        self.what = what
        self.path = Path(path) if path is not None else None
        self.where = where
        self.second = second
        self.do = do
        super().__init__(str(self))

    def __str__(self) -> str:
        place = ""
        if self.path is not None:
            place = self.path.name
        if self.where:
            place = f"{place}, {self.where}" if place else self.where
        if self.second is not None:
            place = f"{place} at {self.second:.2f} s" if place else f"at {self.second:.2f} s"
        said = f"{place}: {self.what}" if place else self.what
        return f"{said}. {self.do[:1].upper()}{self.do[1:]}." if self.do else f"{said}."

    def __reduce__(self) -> tuple[object, ...]:
        # Keyword-only arguments would otherwise be lost on the way back from a worker process.
        return (_rebuild, (type(self), self.what, self.path, self.where, self.second, self.do))


def _rebuild(
    kind: type[LessonmarkError],
    what: str,
    path: Path | None,
    where: str | None,
    second: float | None,
    do: str,
) -> LessonmarkError:
    return kind(what, path=path, where=where, second=second, do=do)


class LessonFileError(LessonmarkError):
    """lesson.toml cannot be used as it stands."""


class UnreadableClip(LessonmarkError):
    """The file cannot be decoded as a video."""


class UnusableClip(LessonmarkError):
    """The clip decodes, but holds nothing that can be measured."""


class WeightsMissing(LessonmarkError):
    """The pose network's weights are not in the cache and could not be had."""


class CannotMeasure(LessonmarkError):
    """One measure at one position cannot be had from this footage."""


class RecordError(LessonmarkError):
    """The coach's record refuses, or does not hold what was asked for."""


class PackError(LessonmarkError):
    """A sheet, page, card or video could not be made."""
