"""How forms are read: an empty field is no value, and words have a length."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field

__all__ = ["Blank", "Line", "Text"]


def _blank(value: object) -> object:
    return None if isinstance(value, str) and not value.strip() else value


def _one_line(value: str) -> str:
    return " ".join(value.split())


Blank = BeforeValidator(_blank)  # for numbers and dates that may be left empty
Line = Annotated[str, Field(max_length=200), AfterValidator(_one_line)]
Text = Annotated[str, Field(max_length=10_000), AfterValidator(str.strip)]
