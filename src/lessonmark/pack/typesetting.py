"""Set a page in Typst from a template and plain values.

Values go in as JSON, so that no word of a coach is ever read as markup; pictures go in as files
beside the template.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import Literal

import typst

from lessonmark.errors import PackError
from lessonmark.language import say
from lessonmark.pack.typeface import font_folder

__all__ = ["Value", "typeset"]

Value = str | int | float | bool | None | list["Value"] | dict[str, "Value"]


def typeset(
    template: str,
    values: Mapping[str, Value],
    *,
    pictures: Mapping[str, bytes] | None = None,
    form: Literal["pdf", "png"] = "pdf",
    ppi: float = 144.0,
    day: str | None = None,
) -> bytes:
    """Compile a template of `pack/templates` to one PDF or PNG.

    Parameters
    ----------
    values : read by the template as `data.json`.
    pictures : files by name, JPEG or SVG, as the values name them.
    ppi : dots an inch of a PNG.
    day : ISO date written into the PDF; the same input then gives the same bytes.

    Raises
    ------
    PackError : the page came out longer than one page.
    """
    stamp = datetime.fromisoformat(day).replace(tzinfo=UTC) if day else None
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for style in ("house.typ", template):
            source = resources.files("lessonmark.pack") / "templates" / style
            (folder / style).write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
        (folder / "data.json").write_text(json.dumps(values, ensure_ascii=False), encoding="utf-8")
        for file, content in (pictures or {}).items():
            (folder / file).write_bytes(content)
        try:
            made: bytes = typst.compile(
                folder / template,
                root=folder,
                font_paths=[font_folder()],
                ignore_system_fonts=True,
                format=form,
                ppi=ppi,
                pdf_standards=["ua-1"] if form == "pdf" else [],
                timestamp=stamp,
            )
        except typst.TypstError as err:
            if "longer than one page" not in str(err):
                raise  # a fault of the template, not of the words
            raise PackError(
                say("the words do not fit on one page"),
                do=say("shorten the causes, the plan or the note"),
            ) from err
    return made
