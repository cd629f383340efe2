"""Open a zip that somebody else may have made: no bomb, no secret members, no strange packing."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from lessonmark.errors import RecordError
from lessonmark.language import say

__all__ = ["Manifest", "open_zip", "read_member"]

MEMBERS_MAX = 100_000  # a player with a thousand lessons has a tenth of it
# Of the zip's own size; deflate packs a player's JSON to a twentieth, and no bomb stays below.
RATIO_MAX = 200
ALWAYS_ALLOWED_BYTES = 100_000_000
ENCRYPTED = 0x1  # general purpose bit 0 (APPNOTE.TXT 4.4.4)
_PACKED = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)


class Manifest(BaseModel):
    """What every zip of ours says of itself."""

    model_config = ConfigDict(extra="ignore", strict=True)

    format: str
    sha256: dict[str, str]  # member -> hash


@contextmanager
def open_zip(source: Path, not_ours: Callable[[], RecordError]) -> Iterator[zipfile.ZipFile]:
    """Open a zip and check what it promises before anything is unpacked.

    Raises
    ------
    RecordError : `not_ours()` where it is damaged, now or while it is read; or it would unpack to
        far more than it holds.
    """
    try:
        with zipfile.ZipFile(source) as archive:
            members = archive.infolist()
            if any(
                one.flag_bits & ENCRYPTED or one.compress_type not in _PACKED for one in members
            ):
                raise not_ours()
            if len({one.filename for one in members}) < len(members):
                raise not_ours()
            unpacked = sum(one.file_size for one in members)
            allowed = max(ALWAYS_ALLOWED_BYTES, RATIO_MAX * source.stat().st_size)
            if len(members) > MEMBERS_MAX or unpacked > allowed:
                raise RecordError(
                    say("this zip would unpack to far more than it holds"),
                    path=source,
                    do=say("take one that this program wrote; nothing was unpacked"),
                )
            yield archive
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        NotImplementedError,  # a member that needs a newer way of packing
        RecursionError,  # JSON without end
        KeyError,
        ValueError,
        OSError,
    ) as err:
        raise not_ours() from err


def read_member(
    archive: zipfile.ZipFile, name: str, not_ours: Callable[[], RecordError], *, limit_bytes: int
) -> bytes:
    """Read a member that must fit into memory."""
    if archive.getinfo(name).file_size > limit_bytes:
        raise not_ours()
    return archive.read(name)
