"""The main job as one call: a lesson's folder in, its sheet out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from lessonmark.lessons.analysis import PICTURES, analyse_lesson
from lessonmark.lessons.clip_pool import ClipProgress
from lessonmark.lessons.findings import Findings
from lessonmark.lessons.versions import judging_version
from lessonmark.pack.earlier_sheet import keep_earlier_sheet
from lessonmark.pack.sheet import write_sheet

__all__ = ["OUT", "Analysed", "analyse"]

OUT = "out"  # folder inside the lesson's, unless another is named


@dataclass(frozen=True, kw_only=True)
class Analysed:
    """What an analysis left behind."""

    findings: Findings
    sheet: Path  # the HTML file; `sheet.json` lies beside it
    earlier: Path | None = None  # where the sheet of another version was put aside


def analyse(
    folder: Path | str,
    *,
    out: Path | str | None = None,
    heavy: bool = False,
    workers: int | None = None,
    on_progress: Callable[[ClipProgress], None] = lambda progress: None,
) -> Analysed:
    """Analyse a lesson and write its sheet, as `lessonmark analyse` does.

    Parameters
    ----------
    folder : holds lesson.toml and the clips; they are only read.
    out : where sheet, pictures and derived files go; None for `out` inside the folder.
    heavy : use the larger pose network.
    workers : clips at once; None for one a core.
    on_progress : told how far each clip is.

    Raises
    ------
    LessonFileError, UnusableClip, WeightsMissing : see `lessons.analysis.analyse_lesson`.
    """
    folder = Path(folder)
    out = folder / OUT if out is None else Path(out)
    findings = analyse_lesson(
        folder, out=out, heavy=heavy, workers=workers, on_progress=on_progress
    )
    findings = replace(findings, judged_with=judging_version())
    earlier = keep_earlier_sheet(out, findings)
    sheet = write_sheet(findings, out, pictures=out / PICTURES)
    return Analysed(findings=findings, sheet=sheet, earlier=earlier)
