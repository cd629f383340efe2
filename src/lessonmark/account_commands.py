"""Accounts of a shared server, from its terminal; a coach's own laptop needs none."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lessonmark.language import say
from lessonmark.terminal import errors_for_people, out_console, table

if TYPE_CHECKING:
    from lessonmark.lessons.store import Record

__all__ = ["app"]

app = typer.Typer(
    add_completion=False, no_args_is_help=True, help="Accounts of a server that coaches share."
)

Name = Annotated[str, typer.Argument(help="The account's name.")]
Where = Annotated[Path | None, typer.Option("--folder", help="Where the record is kept.")]
Password = Annotated[
    str,
    typer.Option(
        prompt=True, hide_input=True, confirmation_prompt=True, help="Asked for if left out."
    ),
]


@app.command()
def add(
    name: Name,
    password: Password,
    player: Annotated[int | None, typer.Option(help="Number of the player it is for.")] = None,
    adopt: Annotated[bool, typer.Option(help="Give this coach the players of nobody.")] = False,
    folder: Where = None,
) -> None:
    """Make a coach's account, or a player's with --player."""
    from lessonmark.lessons.accounts import COACH, PLAYER, add_account, adopt_players

    with _record(folder) as record:
        role = COACH if player is None else PLAYER
        add_account(record, name, password, role=role, player_id=player)
        out_console.print(say("The account {name} is made.", name=name), highlight=False)
        if adopt and role == COACH:
            count = adopt_players(record, name)
            out_console.print(say("{n} players are {name}'s now.", n=count, name=name))


@app.command()
def password(name: Name, password: Password, folder: Where = None) -> None:
    """Change a password; whoever is signed in with it must sign in again."""
    from lessonmark.lessons.accounts import set_password

    with _record(folder) as record:
        set_password(record, name, password)


@app.command()
def close(name: Name, folder: Where = None) -> None:
    """Let an account in no more; its players stay."""
    from lessonmark.lessons.accounts import close_account

    with _record(folder) as record:
        close_account(record, name)


@app.command("list")
def list_all(folder: Where = None) -> None:
    """List the accounts."""
    from lessonmark.lessons.accounts import list_accounts

    with _record(folder) as record:
        rows = [
            (
                str(one.id),
                one.name,
                say("coach") if one.player_id is None else say("player"),
                "" if one.player_id is None else str(one.player_id),
                say("closed") if one.closed_at else "",
            )
            for one in list_accounts(record)
        ]
    table((say("id"), say("name"), say("role"), say("player"), ""), *rows)


@app.command()
def drills(
    name: Name,
    own: Annotated[Path, typer.Argument(help="Folder of the coach's own drills, TOML files.")],
    folder: Where = None,
) -> None:
    """Make a folder's drills a coach's own, in place of those there were; no other sees them."""
    from lessonmark.lessons.coach_library import take_drills_in

    with _record(folder) as record:
        count = take_drills_in(record, name, own)
        out_console.print(say("{name} has {n} drills of their own.", name=name, n=count))


@app.command()
def log(
    player: Annotated[int | None, typer.Option(help="Only of this player.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="Newest entries.")] = 100,
    folder: Where = None,
) -> None:
    """Print who asked for what, the newest first."""
    from lessonmark.lessons.accounts import read_audit

    with _record(folder) as record:
        rows = [
            (
                one.at.isoformat(timespec="seconds"),
                str(one.account_id or ""),
                one.did,
                str(one.player_id or ""),
                str(one.status),
            )
            for one in read_audit(record, player_id=player, limit=limit)
        ]
    table((say("when"), say("account"), say("asked for"), say("player"), say("answer")), *rows)


@contextmanager
def _record(folder: Path | None) -> Iterator[Record]:
    from lessonmark.lessons.store import open_record

    with errors_for_people():
        record = open_record(folder)
        try:
            yield record
        finally:
            record.close()
