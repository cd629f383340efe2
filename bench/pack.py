"""Time the pack: charts, sheet, page, card and the review video against real time.

Run: python bench/pack.py. Uses the demo's clips at their true positions, so no network is needed.
Wall time depends on what else runs; so the processor time that was spent is printed too, and what
that would be on two free cores.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from rich.console import Console
from rich.table import Table

ROOT = Path(__file__).parents[1]


def _builder():  # type: ignore[no-untyped-def]
    spec = importlib.util.spec_from_file_location("pack_builder", ROOT / "tests/pack/builder.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["pack_builder"] = module
    spec.loader.exec_module(module)
    return module


def _timed(work: Callable[[], object]) -> tuple[float, float, object]:
    wall, spent = time.perf_counter(), os.times()
    made = work()
    after = os.times()
    cpu = after.user + after.system - spent.user - spent.system
    return time.perf_counter() - wall, cpu, made


def main() -> None:
    """Print one table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keep", type=Path, help="where the pack is left to be looked at")
    options = parser.parse_args()
    from lessonmark.pack.card import write_card
    from lessonmark.pack.charts import measure_chart
    from lessonmark.pack.coach_words import CoachWords, PlanLine
    from lessonmark.pack.paper import write_paper
    from lessonmark.pack.sheet import write_sheet
    from lessonmark.pack.video import write_video

    with tempfile.TemporaryDirectory() as scratch:
        folder = options.keep or Path(scratch)
        pictures = folder / "pictures"
        pictures.mkdir(parents=True, exist_ok=True)
        builder = _builder()
        findings = builder.film(builder.build_findings(pictures), pictures, ROOT / "demo")
        words = CoachWords(plan=(PlanLine(drill="Brush past the noodle", dose="3 sets of 8"),))
        one = findings.focus[0]

        def chart() -> object:
            return measure_chart(one.stages, one.change, one.unit, smallest_worth=3.0)

        table = Table(title=f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        for title in ("what", "wall, s", "processor, s", "times real time", "on 2 free cores"):
            table.add_column(title, justify="left" if title == "what" else "right")
        jobs: list[tuple[str, Callable[[], object]]] = [
            ("a first chart", chart),
            ("a further chart", chart),
            ("sheet", lambda: write_sheet(findings, folder, pictures=pictures)),
            (
                "page, A4",
                lambda: write_paper(findings, folder / "p.pdf", pictures=pictures, words=words),
            ),
            ("card", lambda: write_card(findings, folder / "card.png", words=words)),
        ]
        for name, job in jobs:
            wall, cpu, _ = _timed(job)
            table.add_row(name, f"{wall:.2f}", f"{cpu:.2f}", "", "")
        wall, cpu, made = _timed(
            lambda: write_video(
                findings,
                folder / "review.mp4",
                folder=ROOT / "demo" / "lesson",
                pictures=pictures,
                words=words,
            )
        )
        seconds = made.duration_s  # type: ignore[attr-defined]
        table.add_row(
            f"review video, {seconds:.0f} s, 1080 x 1920",
            f"{wall:.1f}",
            f"{cpu:.1f}",
            f"{seconds / wall:.2f}",
            f"{seconds / (cpu / 2):.2f}",
        )
        console = Console()
        console.print(table)
        megabytes = (folder / "review.mp4").stat().st_size / 1e6
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        console.print(f"video {megabytes:.1f} MB; most memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
