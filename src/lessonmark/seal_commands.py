"""Encryption at rest from a terminal: seal a record, unseal it, change its passphrase."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.terminal import errors_for_people, one_bar, out_console

if TYPE_CHECKING:
    from lessonmark.lessons.sealed_keys import RecordKeys

__all__ = ["app"]

app = typer.Typer(add_completion=False)

Where = Annotated[Path | None, typer.Option("--folder", help="Where the record is kept.")]


@app.command()
def seal(folder: Where = None) -> None:
    """Encrypt the record where it lies; from then on it opens with a passphrase alone.

    Run it again after a stop: it goes on where it was.
    """
    from lessonmark.lessons.sealed_keys import MARKER
    from lessonmark.lessons.sealing import begin_sealing, seal_record
    from lessonmark.lessons.store import data_folder

    where = folder or data_folder()
    with errors_for_people():
        begun = (where / MARKER).exists()
        if not begun:
            _print(
                say(
                    "Whoever loses the passphrase and the recovery key has lost the record: "
                    "nobody can open it then, not even we."
                )
            )
        keys = begin_sealing(where, _known_passphrase() if begun else _first_passphrase())
        _print(
            say("Recovery key, to be written down and kept away from this computer:"),
            keys.identity,
            say("It opens the record without the passphrase, so nobody else may see it."),
        )
        with one_bar() as move:
            done = seal_record(where, keys, move)
    _print(
        say(
            "The record is sealed: {files} files, {mb} MB.",
            files=done.files,
            mb=done.size_bytes // 1_000_000,
        ),
        say(
            "The files that were in clear are deleted, but a disk, an SSD above all, may still "
            "hold parts of them, and so do older backups. Against that: full-disk encryption, "
            "and new backups in place of the old ones."
        ),
    )


@app.command()
def unseal(folder: Where = None) -> None:
    """Put a sealed record back in clear."""
    from lessonmark.lessons.sealed_keys import is_sealed
    from lessonmark.lessons.sealing import unseal_record
    from lessonmark.lessons.store import data_folder

    where = folder or data_folder()
    with errors_for_people():
        known = _known_passphrase() if is_sealed(where) else ""
        with one_bar() as move:
            done = unseal_record(where, lambda: known, move)
    _print(say("The record is in clear again: {files} files.", files=done.files))


@app.command()
def passphrase(
    folder: Where = None,
    recovery: Annotated[bool, typer.Option(help="Type the recovery key, not the old one.")] = False,
) -> None:
    """Change the passphrase of a sealed record, or set a new one with the recovery key."""
    from lessonmark.lessons.passphrase import type_passphrase
    from lessonmark.lessons.sealed_keys import is_sealed, recover, unlock, write_keys
    from lessonmark.lessons.store import data_folder

    where = folder or data_folder()
    with errors_for_people():
        if not is_sealed(where):
            raise RecordError(
                say("this record is not sealed"),
                path=where,
                do=say("'lessonmark seal' seals it"),
            )
        keys: RecordKeys
        if recovery:
            keys = recover(where, type_passphrase(say("Recovery key: ")))
        else:
            keys = unlock(where, _known_passphrase())
        write_keys(where, keys, _new_passphrase())
    _print(
        say(
            "The passphrase is changed. Backups from before still open with the old one, and the "
            "recovery key stays the same."
        )
    )


def _known_passphrase() -> str:
    from lessonmark.lessons.passphrase import find_passphrase, type_passphrase

    return find_passphrase() or type_passphrase(say("Passphrase of the record: "))


def _first_passphrase() -> str:
    from lessonmark.lessons.passphrase import find_passphrase

    return find_passphrase() or _new_passphrase()


def _new_passphrase() -> str:
    """Take a new passphrase from the environment, or let it be typed twice."""
    from lessonmark.lessons.passphrase import find_new_passphrase, type_passphrase
    from lessonmark.lessons.sealed_keys import check_passphrase

    given = find_new_passphrase()
    if given is not None:
        return given
    first = type_passphrase(say("New passphrase: "))
    check_passphrase(first)
    if type_passphrase(say("Once more: ")) != first:
        raise RecordError(
            say("the two passphrases are not the same"), do=say("run it again; nothing was changed")
        )
    return first


def _print(*lines: str) -> None:
    for line in lines:
        out_console.print(line, highlight=False, soft_wrap=True, markup=False)
