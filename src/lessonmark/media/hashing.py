"""Know a clip by its bytes, whatever it is called."""

from __future__ import annotations

import hashlib
from pathlib import Path

__all__ = ["content_hash"]


def content_hash(path: Path | str) -> str:
    """Hash a file's bytes with SHA-256 (FIPS 180-4), a piece at a time.

    Returns
    -------
    64 hexadecimal digits.

    Raises
    ------
    OSError : the file is not there or cannot be read.
    """
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
