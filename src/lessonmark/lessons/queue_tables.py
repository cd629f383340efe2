"""Tables beside the lesson's own: what a result was before it was measured again."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from lessonmark.lessons.record_base import Base, now

__all__ = ["FormerFinding"]


class FormerFinding(Base):
    """What a lesson's sheet said before another version of the program measured it again."""

    __tablename__ = "former_finding"
    __table_args__ = (UniqueConstraint("lesson_id", "made_at"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    lesson_id: Mapped[int] = mapped_column(ForeignKey("lesson.id", ondelete="CASCADE"))
    findings: Mapped[str] = mapped_column(Text)  # the whole `Findings` as JSON, every swing
    made_at: Mapped[datetime]
    measured_with: Mapped[str] = mapped_column(String(200))  # versions, ', ' between; '' unknown
    replaced_at: Mapped[datetime] = mapped_column(default=now)
