"""The whole pack in one folder and one zip, with a manifest of hashes.

The manifest is `SHA256SUMS`, the form that `sha256sum --check` reads.
"""

from __future__ import annotations

import hashlib
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from lessonmark.language import say
from lessonmark.lessons.findings import Findings
from lessonmark.pack.card import write_card
from lessonmark.pack.clip_places import ClipPlaces
from lessonmark.pack.coach_words import CoachWords
from lessonmark.pack.message import draft_message
from lessonmark.pack.paper import PaperSize, write_paper
from lessonmark.pack.sheet import DATA_NAME, SHEET_NAME, write_sheet
from lessonmark.pack.talking_points import as_text, draft_talking_points
from lessonmark.pack.video import write_video
from lessonmark.pack.video_plan import TakeSource

__all__ = ["FILES", "MANIFEST", "Pack", "PackChoices", "write_pack"]

MANIFEST = "SHA256SUMS"
VIDEO = "review.mp4"
PAPERS = {PaperSize.A4: "page-a4.pdf", PaperSize.LETTER: "page-letter.pdf"}
CARD, POINTS, MESSAGE = "card.png", "talking-points.txt", "message.txt"
# In the order in which a page lists them.
FILES = (VIDEO, *PAPERS.values(), CARD, SHEET_NAME, DATA_NAME, POINTS, MESSAGE, MANIFEST)
_VIDEO_SHARE = 0.9  # of the time a pack takes, for the progress


@dataclass(frozen=True, kw_only=True)
class PackChoices:
    """What the coach wants in this pack."""

    with_name: bool = False  # the player's name: only where the coach wants it
    with_video: bool = True
    papers: tuple[PaperSize, ...] = (PaperSize.A4, PaperSize.LETTER)
    talking_points: str | None = None  # the coach's edited text; None: the draft
    message: str | None = None  # likewise


@dataclass(frozen=True, kw_only=True)
class Pack:
    """What was made."""

    folder: Path
    zip_file: Path
    files: tuple[str, ...]  # names inside the folder, manifest included


def write_pack(
    findings: Findings,
    target: Path,
    *,
    lesson_folder: ClipPlaces,
    pictures: Path,
    words: CoachWords | None = None,
    takes: Sequence[TakeSource] = (),
    choices: PackChoices | None = None,
    progress: Callable[[float, str], None] = lambda done, doing: None,
) -> Pack:
    """Make the pack in `target` and `target`.zip; an older pack there is replaced at the end.

    Parameters
    ----------
    target : the pack's folder; the zip gets its name.
    lesson_folder : where the clips are; or each clip's own place.
    pictures : the folder that the findings' JPEGs are in.
    takes : the coach's recorded passages.
    progress : told the share that is done and what is being made; what it raises stops the work.

    Raises
    ------
    PackError : a part could not be made; an older pack stays as it was.
    """
    words = words or CoachWords()
    choices = choices or PackChoices()
    target.parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    zipped = target.with_name(target.name + ".zip")
    unfinished = made.with_name(made.name + ".zip")
    try:
        _fill(findings, made, lesson_folder, pictures, words, takes, choices, progress)
        names = tuple(sorted(path.name for path in made.iterdir()))
        (made / MANIFEST).write_text(
            "".join(f"{_sha256(made / name)}  {name}\n" for name in names), encoding="utf-8"
        )
        names = (*names, MANIFEST)
        _zip(made, names, unfinished, target.name, findings.date)
        if target.exists():
            shutil.rmtree(target)
        made.replace(target)
        target.chmod(0o755)
        unfinished.replace(zipped)
    finally:
        shutil.rmtree(made, ignore_errors=True)
        unfinished.unlink(missing_ok=True)
    progress(1.0, say("the pack is ready"))
    return Pack(folder=target, zip_file=zipped, files=names)


def _fill(
    findings: Findings,
    made: Path,
    lesson_folder: ClipPlaces,
    pictures: Path,
    words: CoachWords,
    takes: Sequence[TakeSource],
    choices: PackChoices,
    progress: Callable[[float, str], None],
) -> None:
    named = choices.with_name
    progress(0.0, say("the lesson sheet"))
    write_sheet(findings, made, pictures=pictures, name_on_sheet=named)
    progress(0.03, say("the page to print"))
    for size in choices.papers:
        write_paper(
            findings,
            made / PAPERS[size],
            pictures=pictures,
            words=words,
            size=size,
            name_on_paper=named,
        )
    progress(0.06, say("the card"))
    write_card(findings, made / CARD, words=words, name_on_card=named)
    points = choices.talking_points
    if points is None:
        points = as_text(draft_talking_points(findings, words))
    (made / POINTS).write_text(points, encoding="utf-8")
    message = choices.message
    if message is None:
        message = draft_message(
            findings, words, name_in_message=named, has_video=choices.with_video
        )
    (made / MESSAGE).write_text(message, encoding="utf-8")
    if choices.with_video:
        first = 1.0 - _VIDEO_SHARE
        write_video(
            findings,
            made / VIDEO,
            folder=lesson_folder,
            pictures=pictures,
            words=words,
            takes=takes,
            name_on_video=named,
            progress=lambda done: progress(first + _VIDEO_SHARE * done, say("the review video")),
        )


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _zip(folder: Path, names: Sequence[str], path: Path, inside: str, day: str) -> None:
    """Zip with the lesson's date on every file, so that the same pack gives the same bytes."""
    try:
        on = date.fromisoformat(day[:10])
    except ValueError:
        on = date(1980, 1, 1)
    stamp = (max(on.year, 1980), on.month, on.day, 12, 0, 0)
    with zipfile.ZipFile(path, "w") as archive:
        for name in names:
            entry = zipfile.ZipInfo(f"{inside}/{name}", date_time=stamp)
            packed = name.endswith((".mp4", ".png"))  # packed already
            entry.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, (folder / name).read_bytes())
