"""What a sheet said before another version of the program measured or judged it again.

An upgrade changes no sheet by itself: a lesson keeps its numbers until somebody has it measured
again, and what it said before then is kept beside the new result.
"""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session, object_session

from lessonmark.lessons.findings import ClipFinding, Findings
from lessonmark.lessons.jobs import FINDINGS, versions_in, whole_findings
from lessonmark.lessons.record import Clip, FormerFinding, Lesson
from lessonmark.lessons.versions import judging_version, up_to_date

__all__ = ["former_findings", "is_old", "keep_former", "read_former"]


def keep_former(lesson: Lesson, new: ClipFinding | None) -> bool:
    """Put what the sheet says now aside, if what comes was made with another version.

    Parameters
    ----------
    new : a clip's finding that is about to be written; None: the lesson is about to be judged.

    Returns
    -------
    Whether something was put aside; not twice for the same sheet.
    """
    if lesson.finding is None:
        return False
    if new is None:
        version = judging_version()
    elif new.made_with is None:
        return False
    else:
        version = new.made_with.version
    if version in lesson.finding.measured_with.split(", "):
        return False
    session = _session(lesson)
    # Two workers may finish two clips of the lesson at once: the second waits here.
    session.execute(select(Lesson.id).where(Lesson.id == lesson.id).with_for_update())
    made_at = lesson.finding.made_at
    if any(one.made_at == made_at for one in former_findings(session, lesson.id)):
        return False
    findings = whole_findings(lesson)
    if findings is None:
        return False
    session.add(
        FormerFinding(
            lesson_id=lesson.id,
            findings=FINDINGS.dump_json(findings).decode(),
            made_at=made_at,
            measured_with=lesson.finding.measured_with or versions_in(findings, judged=""),
        )
    )
    session.flush()
    return True


def former_findings(session: Session, lesson_id: int) -> list[FormerFinding]:
    """List a lesson's earlier results, the newest first."""
    return (
        session.query(FormerFinding)
        .filter(FormerFinding.lesson_id == lesson_id)
        .order_by(FormerFinding.made_at.desc())
        .all()
    )


def read_former(row: FormerFinding) -> Findings:
    """Read an earlier result."""
    return FINDINGS.validate_json(row.findings)


def is_old(clip: Clip, *, heavy: bool = False) -> bool:
    """Whether this program would measure the clip better, by another version than it was.

    Parameters
    ----------
    heavy : whether it measures with the larger network.
    """
    return clip.finding is not None and clip.measured_with not in up_to_date(heavy=heavy)


def _session(lesson: Lesson) -> Session:
    session = object_session(lesson)
    if session is None:
        raise ValueError("a lesson's former findings are kept in its own transaction")
    return session
