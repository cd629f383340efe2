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
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
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


def _spoken(findings, folder: Path):  # type: ignore[no-untyped-def]
    """Forty seconds over the first focus measure: steps, a slow run, pointer and a stroke."""
    from lessonmark.pack.take import Mark, PaneShown, Pointer, Shown, SwingRef, Take
    from lessonmark.pack.video_plan import PaneClip, TakeSource

    clips = [
        ROOT / "demo" / "lesson" / stage / "face-on" / "clip_00.mp4"
        for stage in ("before", "after")
    ]
    crop = findings.focus[0].pictures.before.crop
    # Twenty steps of a frame or of a position in 20 s, then the swing at an eighth of its speed.
    moments = [(float(k), 0.5 + 0.07 * k) for k in range(20)]
    moments += [(20.0 + k / 30, 0.4 + k / 30 / 8) for k in range(480)]
    rng = np.random.default_rng(1)
    sound = rng.normal(size=40 * 48000) * (np.arange(40 * 48000) // 24000 % 3 > 0) * 3000
    with wave.open(str(folder / "voice.wav"), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(48000)
        out.writeframes(np.clip(sound, -32768, 32767).astype("<i2").tobytes())
    panes = [PaneShown(s=s, crop=crop) for _, s in moments]
    take = Take(
        focus=0,
        audio="voice.wav",
        duration_s=40.0,
        swings=tuple(SwingRef(clip_sha256="0" * 64, number=1) for _ in clips),
        shown=tuple(
            Shown(at_s=at, left=pane, right=pane)
            for (at, _), pane in zip(moments, panes, strict=True)
        ),
        pointer=tuple(Pointer(at_s=k / 30, x=0.2 + 0.0002 * k, y=0.5) for k in range(900)),
        marks=(Mark(points=tuple((5 + k / 30, 0.3 + k / 300, 0.3) for k in range(60))),),
    )
    stages = [clip.stage for clip in findings.clips]
    sources = tuple(
        PaneClip(path=path, fps_declared=None, stage=stage)
        for path, stage in zip(clips, stages, strict=False)
    )
    return TakeSource(take=take, folder=folder, panes=sources)


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
        for name, takes in (("review video", ()), ("with a voice", (_spoken(findings, folder),))):
            wall, cpu, made = _timed(
                lambda takes=takes: write_video(
                    findings,
                    folder / "review.mp4",
                    folder=ROOT / "demo" / "lesson",
                    pictures=pictures,
                    words=words,
                    takes=takes,
                )
            )
            seconds = made.duration_s  # type: ignore[attr-defined]
            table.add_row(
                f"{name}, {seconds:.0f} s, 1080 x 1920",
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
