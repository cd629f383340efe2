"""Where the passphrase of a sealed record comes from, and what it opens.

``LESSONMARK_PASSPHRASE``, else the file that ``LESSONMARK_PASSPHRASE_FILE`` names (for a service),
else whoever sits at the terminal. Never the command line: other users see that.
"""

from __future__ import annotations

import getpass
import os
import sys
from pathlib import Path

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.sealed_keys import MARKER, RecordKeys, is_sealed, unlock

__all__ = ["find_keys", "find_new_passphrase", "find_passphrase", "type_passphrase"]

TRIES = 3  # at the terminal


def find_keys(folder: Path, *, elsewhere: bool) -> RecordKeys | None:
    """Give the keys of a record that is about to be opened; None: it is not sealed.

    Parameters
    ----------
    elsewhere : its database or its files are on a server.

    Raises
    ------
    RecordError : it is half sealed, the passphrase is missing or wrong, or a server is set besides.
    """
    if (folder / MARKER).exists():
        raise RecordError(
            say("the sealing of this record, or its unsealing, was cut short"),
            path=folder,
            do=say("run 'lessonmark seal' (or 'lessonmark unseal') to its end; nothing is lost"),
        )
    if not is_sealed(folder):
        return None
    if elsewhere:
        raise RecordError(
            say("this record is sealed, and a database server or a shared store is set besides"),
            path=folder,
            do=say("take LESSONMARK_DATABASE and LESSONMARK_STORE out, or use another folder"),
        )
    given = find_passphrase()
    if given is not None:
        return unlock(folder, given)
    for left in reversed(range(TRIES)):
        try:
            return unlock(folder, type_passphrase(say("Passphrase of the record: ")))
        except RecordError as err:
            if not left or err.path is None:
                raise
            print(err, file=sys.stderr)
    raise AssertionError("the last try raises")


def find_passphrase() -> str | None:
    """Give the passphrase that the environment tells; None: it tells none.

    Raises
    ------
    RecordError : the file that it names cannot be read.
    """
    return _told("LESSONMARK_PASSPHRASE")


def find_new_passphrase() -> str | None:
    """Give the passphrase that is to be set, as the environment tells it; None: it tells none.

    ``LESSONMARK_NEW_PASSPHRASE`` or ``LESSONMARK_NEW_PASSPHRASE_FILE`` tells it.

    Raises
    ------
    RecordError : the file that it names cannot be read.
    """
    return _told("LESSONMARK_NEW_PASSPHRASE")


def _told(name: str) -> str | None:
    given = os.environ.get(name)
    if given:
        return given
    named = os.environ.get(f"{name}_FILE")
    if not named:
        return None
    try:
        return Path(named).read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeError) as err:
        raise RecordError(
            say("the file with the passphrase cannot be read"),
            path=named,
            do=say("correct {name}; that file holds the passphrase alone", name=f"{name}_FILE"),
        ) from err


def type_passphrase(prompt: str) -> str:
    """Let whoever sits at the terminal type a passphrase, unseen.

    Raises
    ------
    RecordError : nobody sits there.
    """
    if not sys.stdin.isatty():
        raise RecordError(
            say("this record is sealed, and nobody is there to type its passphrase"),
            do=say(
                "set LESSONMARK_PASSPHRASE, or LESSONMARK_PASSPHRASE_FILE to a file that only "
                "this user can read"
            ),
        )
    return getpass.getpass(prompt)
