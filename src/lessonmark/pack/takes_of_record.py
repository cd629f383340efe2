"""A lesson's recorded passages, as the review video takes them."""

from __future__ import annotations

from dataclasses import replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from lessonmark.errors import PackError
from lessonmark.language import say
from lessonmark.lessons.files import FileStore
from lessonmark.lessons.findings import Findings
from lessonmark.lessons.passages import voice_folder
from lessonmark.lessons.record import Clip, Lesson, Passage
from lessonmark.pack.take import SwingRef, read_take
from lessonmark.pack.video_plan import PaneClip, TakeSource
from lessonmark.words import View

__all__ = ["passage_order", "takes_of_record"]


def passage_order(
    lesson: Lesson, findings: Findings | None
) -> tuple[tuple[Passage, int | None], ...]:
    """Put passages in the order of the video, each with the focus measure that it is about.

    Returns
    -------
    those about no one focus measure (None) first, then focus by focus.
    """
    focus: list[tuple[str, View | None]] = []
    if findings is not None:
        focus = [(str(one.at), one.view) for one in findings.focus]
    about = [
        (row, focus.index((row.at, row.view)) if (row.at, row.view) in focus else None)
        for row in lesson.passages
    ]
    return tuple(sorted(about, key=lambda one: -1 if one[1] is None else one[1]))


def takes_of_record(
    session: Session, files: FileStore, lesson: Lesson, findings: Findings
) -> tuple[TakeSource, ...]:
    """Read the passages with the clips that they show.

    Raises
    ------
    PackError : a passage cannot be read.
    RecordError : the file of a clip that it shows is gone.
    """
    return tuple(
        _source(session, files, lesson, row, focus)
        for row, focus in passage_order(lesson, findings)
    )


def _source(
    session: Session, files: FileStore, lesson: Lesson, row: Passage, focus: int | None
) -> TakeSource:
    take = replace(
        read_take(row.take),
        focus=focus,
        audio=row.sound or None,
        duration_s=row.duration_s,
        caption=row.caption,
    )
    return TakeSource(
        take=take,
        folder=voice_folder(files, lesson.uid),
        panes=tuple(_pane(session, files, lesson, swing) for swing in take.swings),
    )


def _pane(session: Session, files: FileStore, lesson: Lesson, swing: SwingRef) -> PaneClip:
    clip = session.scalars(
        select(Clip).where(Clip.sha256 == swing.clip_sha256, Clip.player_id == lesson.player_id)
    ).one_or_none()
    if clip is None:
        raise PackError(
            say("a recorded passage shows a clip that is no longer in the record"),
            do=say("record the passage again, or remove it"),
        )
    return PaneClip(
        path=files.load(swing.clip_sha256), fps_declared=clip.fps_declared, stage=clip.stage
    )
