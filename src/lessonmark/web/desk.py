"""What every page works with: the record, the analysis and the background work."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Request

from lessonmark.lessons.analyser import Analyser
from lessonmark.lessons.store import Record
from lessonmark.lessons.work import Workshop
from lessonmark.pack.packer import Packer
from lessonmark.web.settings import WebSettings

__all__ = ["Desk", "TheDesk"]


@dataclass(frozen=True, kw_only=True)
class Desk:
    """One coach's desk."""

    record: Record
    analyser: Analyser
    workshop: Workshop
    packer: Packer
    settings: WebSettings


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return desk


TheDesk = Annotated[Desk, Depends(_desk)]
