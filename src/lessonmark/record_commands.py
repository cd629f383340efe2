"""The record from a terminal: its pages, back it up, restore it, check that nothing is damaged."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from lessonmark.language import say
from lessonmark.terminal import err_console, errors_for_people, out_console

__all__ = ["app"]

app = typer.Typer(add_completion=False)

Where = Annotated[Path | None, typer.Option("--folder", help="Where the record is kept.")]


@app.command()
def serve(
    folder: Annotated[Path | None, typer.Option(help="Where the record is kept.")] = None,
    port: Annotated[int | None, typer.Option(help="Port on this machine.")] = None,
    share: Annotated[bool, typer.Option(help="Also on the local network, by a token.")] = False,
    browser: Annotated[bool, typer.Option(help="Open the pages at once.")] = True,
    heavy: Annotated[bool, typer.Option(help="Use the larger network.")] = False,
    accounts: Annotated[bool, typer.Option(help="Everybody signs in: a shared server.")] = False,
    host: Annotated[
        list[str] | None, typer.Option(help="Name of this server, behind a TLS proxy.")
    ] = None,
) -> None:
    """Open the coach's record and pages in the browser, on this machine alone."""
    from lessonmark.web.serve import PORT
    from lessonmark.web.serve import serve as run

    with errors_for_people():
        run(
            folder=folder,
            port=PORT if port is None else port,
            share=share,
            browser=browser,
            heavy=heavy,
            accounts=accounts,
            names=tuple(host or ()),
            tell=lambda line: out_console.print(line, highlight=False, soft_wrap=True),
        )


@app.command()
def backup(
    target: Annotated[
        Path | None, typer.Argument(help="The zip to write; a dated one here if left out.")
    ] = None,
    folder: Where = None,
) -> None:
    """Write the whole record into one zip, even while the pages are open."""
    from lessonmark.lessons.backup import back_up
    from lessonmark.lessons.store import open_record

    target = target or Path(f"lessonmark-{datetime.now():%Y-%m-%d-%H%M}.zip")
    with errors_for_people():
        record = open_record(folder)
        try:
            back_up(record, target)
        finally:
            record.close()
    out_console.print(say("The backup is at {path}", path=target), soft_wrap=True)


@app.command()
def restore(
    backup: Annotated[Path, typer.Argument(help="A zip that 'lessonmark backup' wrote.")],
    folder: Where = None,
) -> None:
    """Bring a backup back into an empty or a new folder."""
    from lessonmark.lessons.backup import restore as bring_back
    from lessonmark.lessons.store import data_folder

    where = folder or data_folder()
    with errors_for_people():
        bring_back(backup, where)
    out_console.print(say("The record is at {path}", path=where), soft_wrap=True)


@app.command()
def verify(folder: Where = None) -> None:
    """Check the database and every clip's hash; code 1 where something is damaged."""
    from lessonmark.lessons.backup import check_clips, check_record
    from lessonmark.lessons.store import data_folder, open_record, server_address

    with errors_for_people():
        if server_address() is None:
            problems = check_record(folder or data_folder())
        else:
            record = open_record(folder)
            problems = check_clips(record)
            record.close()
    for problem in problems:
        err_console.print(problem, highlight=False, soft_wrap=True)
    if problems:
        raise typer.Exit(1)
    out_console.print(say("Database and clips are whole."))
