"""Tables of a shared server: who may sign in, whose player is whose, and who did what.

On a coach's own laptop they stay empty.
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from lessonmark.lessons.record_base import Base, now

__all__ = ["Account", "AccountSession", "AuditEntry", "Owner"]


class Account(Base):
    """Somebody who may sign in."""

    __tablename__ = "account"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    password: Mapped[str] = mapped_column(String(200))  # argon2id, with its salt and cost
    role: Mapped[str] = mapped_column(String(16))  # 'coach' or 'player'
    player_id: Mapped[int | None] = mapped_column(ForeignKey("player.id", ondelete="CASCADE"))
    made_at: Mapped[datetime] = mapped_column(default=now)
    closed_at: Mapped[datetime | None]
    wrong_tries: Mapped[int] = mapped_column(default=0, server_default="0")  # since the last right
    locked_until: Mapped[datetime | None]


class AccountSession(Base):
    """A browser that has signed in; the token itself is in its cookie alone."""

    __tablename__ = "account_session"

    token_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id", ondelete="CASCADE"))
    made_at: Mapped[datetime] = mapped_column(default=now)
    ends_at: Mapped[datetime]


class Owner(Base):
    """Which coach's a player is; no row: nobody's but the laptop's own."""

    __tablename__ = "owner"

    player_id: Mapped[int] = mapped_column(
        ForeignKey("player.id", ondelete="CASCADE"), primary_key=True
    )
    account_id: Mapped[int] = mapped_column(
        ForeignKey("account.id", ondelete="CASCADE"), index=True
    )


class AuditEntry(Base):
    """That somebody asked for something of a player, and how it ended; numbers, no names."""

    __tablename__ = "audit_entry"

    id: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[datetime] = mapped_column(default=now, index=True)
    account_id: Mapped[int | None]
    did: Mapped[str] = mapped_column(String(120))  # 'GET /lessons/{lesson_id}'
    player_id: Mapped[int | None] = mapped_column(index=True)
    status: Mapped[int]  # as answered, RFC 9110
