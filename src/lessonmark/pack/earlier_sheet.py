"""Put a lesson's sheet aside before another version of the program writes a new one."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

from pydantic import ValidationError

from lessonmark.lessons.findings import Findings, read_findings
from lessonmark.pack.sheet import DATA_NAME, SHEET_NAME

__all__ = ["EARLIER", "keep_earlier_sheet"]

EARLIER = "earlier"  # folder beside the sheet


def keep_earlier_sheet(folder: Path, new: Findings) -> Path | None:
    """Keep the sheet that is there if it was made with other versions than the new one.

    Returns
    -------
    where the HTML is kept; None where there was none, or it was made with the same versions.
    """
    data, page = folder / DATA_NAME, folder / SHEET_NAME
    if not (data.is_file() and page.is_file()):
        return None
    try:
        old = read_findings(data)
    except (OSError, ValidationError):
        old = None  # from a layout that this version cannot read: another version's for sure
    if old is not None and _versions(old) == _versions(new):
        return None
    made_at = datetime.fromtimestamp(data.stat().st_mtime)
    kept = folder / EARLIER / f"{made_at:%Y-%m-%d-%H%M%S}"
    kept.mkdir(parents=True, exist_ok=True)
    for path in (page, data):
        os.replace(path, kept / path.name)
    return kept / SHEET_NAME


def _versions(findings: Findings) -> set[str]:
    clips = {clip.made_with.version if clip.made_with else "" for clip in findings.clips}
    return {*clips, findings.judged_with}
