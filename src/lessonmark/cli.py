"""Lessonmark from a terminal: the same jobs as the pages, and no arithmetic."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn
from rich.table import Table

from lessonmark import __version__
from lessonmark.errors import LessonmarkError
from lessonmark.language import say
from lessonmark.lessons.clip_pool import ClipProgress

__all__ = ["app"]

app = typer.Typer(
    name="lessonmark",
    help="From the clips of a golf lesson to evidence of what changed.",
    no_args_is_help=True,
    add_completion=False,
)
_out = Console()
_err = Console(stderr=True)


@app.callback()
def main() -> None:
    """From the clips of a golf lesson to evidence of what changed."""


@app.command()
def version() -> None:
    """Say which version this is."""
    _out.print(__version__)


@app.command()
def weights(
    heavy: Annotated[bool, typer.Option(help="Also fetch the larger network.")] = False,
) -> None:
    """Fetch the pose network's weights once, at set-up."""
    from lessonmark.tracks.weights import DETECTOR, FULL, HEAVY, fetch_weights

    with _errors_for_people():
        wanted = (DETECTOR, FULL, HEAVY) if heavy else (DETECTOR, FULL)
        for path in fetch_weights(*wanted):
            _out.print(say("The pose network's {file} is ready.", file=path.name))


@app.command()
def analyse(
    lesson: Annotated[Path, typer.Argument(help="Folder with lesson.toml and the clips.")],
    out: Annotated[Path | None, typer.Option(help="Where the sheet goes.")] = None,
    heavy: Annotated[bool, typer.Option(help="Use the larger, slower network.")] = False,
    workers: Annotated[int | None, typer.Option(min=1, help="Clips at once.")] = None,
) -> None:
    """Measure a lesson's clips and write its sheet."""
    from lessonmark.pack.analyse import analyse as run

    with _errors_for_people(), _bars() as on_progress:
        done = run(lesson, out=out, heavy=heavy, workers=workers, on_progress=on_progress)
    for problem in done.findings.problems:
        _out.print(
            f"[bold]{problem.clip}[/bold]: {problem.what}; {problem.do}.",
            highlight=False,
        )
    for finding in done.findings.focus:
        _out.print(f"• {finding.sentence}", highlight=False)
    _out.print(say("The lesson sheet is at {path}", path=done.sheet), soft_wrap=True)


@app.command()
def measures() -> None:
    """List the catalogue of measures."""
    from lessonmark.measures.registry import catalogue

    table = Table(box=None, header_style="bold", pad_edge=False)
    for title in (say("measure"), say("seen from"), say("unit"), say("what it is")):
        table.add_column(title)
    for entry in catalogue():
        views = ", ".join(sorted(entry.views))
        table.add_row(entry.id, views, entry.unit, say(entry.definition))
    _out.print(table)


@contextmanager
def _errors_for_people() -> Iterator[None]:
    try:
        yield
    except LessonmarkError as err:
        _err.print(str(err), style="bold", highlight=False, soft_wrap=True)
        raise typer.Exit(1) from err
    except KeyboardInterrupt:
        _err.print(say("Stopped. What was finished is kept; run it again to go on."))
        raise typer.Exit(130) from None


@contextmanager
def _bars() -> Iterator[Callable[[ClipProgress], None]]:
    """Show a bar a clip; where nobody watches, one line a finished clip."""
    if not sys.stdout.isatty():
        finished: set[str] = set()

        def line(progress: ClipProgress) -> None:
            if progress.done == progress.of and progress.clip not in finished:
                if progress.doing == say("following the player"):
                    return
                finished.add(progress.clip)
                _out.print(f"{progress.clip}: {progress.doing}", highlight=False)

        yield line
        return
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[doing]}"),
    )
    with Progress(*columns, console=_out) as bars:
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


if __name__ == "__main__":
    app()
