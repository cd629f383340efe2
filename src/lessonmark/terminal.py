"""What the terminal shows: bars, tables and errors in words; no command of its own."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn
from rich.table import Table

from lessonmark.errors import LessonmarkError
from lessonmark.language import say
from lessonmark.lessons.clip_pool import ClipProgress

__all__ = ["bars", "err_console", "errors_for_people", "one_bar", "out_console", "table"]

out_console = Console()
err_console = Console(stderr=True)


def table(head: Sequence[str], *rows: Sequence[str]) -> None:
    table = Table(box=None, header_style="bold", pad_edge=False)
    for title in head:
        table.add_column(title, overflow="fold")  # nothing is cut off on a narrow screen
    for row in rows:
        table.add_row(*row)
    out_console.print(table)


@contextmanager
def one_bar() -> Iterator[Callable[[float, str], None]]:
    """Show one bar for a job that tells the share that is done."""
    with Progress(TextColumn("{task.description}"), BarColumn(), console=out_console) as bars:
        task = bars.add_task("", total=1.0)
        yield lambda done, doing: bars.update(task, completed=done, description=doing)


@contextmanager
def errors_for_people() -> Iterator[None]:
    try:
        yield
    except LessonmarkError as err:
        err_console.print(str(err), style="bold", highlight=False, soft_wrap=True)
        raise typer.Exit(1) from err
    except KeyboardInterrupt:
        err_console.print(say("Stopped. What was finished is kept; run it again to go on."))
        raise typer.Exit(130) from None


@contextmanager
def bars() -> Iterator[Callable[[ClipProgress], None]]:
    """Show a bar a clip; where nobody watches, one line a finished clip."""
    if not sys.stdout.isatty():
        finished: set[str] = set()

        def line(progress: ClipProgress) -> None:
            if progress.done == progress.of and progress.clip not in finished:
                if progress.doing == say("following the player"):
                    return
                finished.add(progress.clip)
                out_console.print(f"{progress.clip}: {progress.doing}", highlight=False)

        yield line
        return
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[doing]}"),
    )
    with Progress(*columns, console=out_console) as bars:
        tasks: dict[str, TaskID] = {}

        def move(progress: ClipProgress) -> None:
            if progress.clip not in tasks:
                tasks[progress.clip] = bars.add_task(progress.clip, doing="", total=None)
            bars.update(
                tasks[progress.clip],
                completed=progress.done,
                total=progress.of,
                doing=progress.doing,
            )

        yield move
