"""The lesson's JPEGs, read with a clear word where one is missing."""

from __future__ import annotations

import base64
from pathlib import Path

from lessonmark.errors import PackError
from lessonmark.language import say

__all__ = ["data_uri", "read_jpeg"]


def read_jpeg(path: Path) -> bytes:
    """Read a JPEG's bytes.

    Raises
    ------
    PackError : it is not there, or is no JPEG.
    """
    try:
        data = path.read_bytes()
    except OSError as err:
        raise PackError(
            say("a picture of the lesson cannot be read"),
            path=path,
            do=say("analyse the lesson again; its clips are untouched"),
        ) from err
    if not data.startswith(b"\xff\xd8"):
        raise PackError(
            say("a picture of the lesson is no JPEG"),
            path=path,
            do=say("analyse the lesson again; its clips are untouched"),
        )
    return data


def data_uri(path: Path) -> str:
    """Put a JPEG into an address of its own; raises as `read_jpeg`."""
    return "data:image/jpeg;base64," + base64.b64encode(read_jpeg(path)).decode("ascii")
