"""A focus measure's change beside its row: many lessons are read without their findings."""

from __future__ import annotations

from pydantic import TypeAdapter

from lessonmark.evidence.change import Change
from lessonmark.lessons.findings import Findings
from lessonmark.lessons.record import Focus, Lesson

__all__ = ["keep_changes", "read_change"]

_CHANGE: TypeAdapter[Change] = TypeAdapter(Change)


def keep_changes(lesson: Lesson, findings: Findings) -> None:
    """Write each focus measure's change beside it; one that was not judged has none."""
    changes = {(str(one.at), one.view): one.change for one in findings.focus}
    for wish in lesson.focus:
        change = changes.get((wish.at, wish.view))
        wish.change = None if change is None else _CHANGE.dump_json(change).decode()


def read_change(focus: Focus) -> Change | None:
    """Read a focus measure's change as last judged."""
    return None if focus.change is None else _CHANGE.validate_json(focus.change)
