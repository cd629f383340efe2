"""Accounts of a shared server: made from its terminal, with passwords kept by argon2id.

Costs and advice as in RFC 9106 (its second choice, the library's own default) and in OWASP's
cheat sheets on authentication and sessions (from memory).
"""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import delete, func, insert, select
from sqlalchemy.orm import Session

from lessonmark.errors import RecordError
from lessonmark.language import say
from lessonmark.lessons.record import Account, AccountSession, AuditEntry, Owner, Player
from lessonmark.lessons.store import Record
from lessonmark.lessons.whose import Whose

__all__ = [
    "COACH",
    "PLAYER",
    "SignedIn",
    "add_account",
    "adopt_players",
    "close_account",
    "count_accounts",
    "list_accounts",
    "note_audit",
    "read_audit",
    "set_password",
    "sign_in",
    "sign_out",
    "signed_in",
]

COACH, PLAYER = "coach", "player"
SHORTEST_PASSWORD = 10  # characters
LONGEST_PASSWORD = 200
SIGNED_IN_FOR = timedelta(hours=12)
TRIES_BEFORE_WAIT = 5
WAIT = timedelta(minutes=1)  # doubled with every further wrong password
LONGEST_WAIT = timedelta(hours=1)
AUDIT_KEPT = timedelta(days=365)


@dataclass(frozen=True, kw_only=True)
class SignedIn:
    """Who a browser is."""

    account_id: int
    name: str
    role: str
    player_id: int | None

    @property
    def whose(self) -> Whose:
        """What they may see."""
        return Whose(account_id=self.account_id, player_id=self.player_id)


def add_account(
    record: Record, name: str, password: str, *, role: str = COACH, player_id: int | None = None
) -> int:
    """Make an account; gives its id.

    Raises
    ------
    RecordError : the name is taken or empty, the password is too short, or a player's account
        names no player of the record.
    """
    name = name.strip()
    if not 1 <= len(name) <= 80:
        raise RecordError(say("a name has 1 to 80 characters"), do=say("choose another name"))
    if role not in (COACH, PLAYER) or (role == PLAYER) is not (player_id is not None):
        raise RecordError(
            say("an account is a coach's, or one player's"),
            do=say("give the number of the player for a player's account, and none for a coach's"),
        )
    hashed = _hashed(password)
    with record.writing() as session:
        if session.scalar(select(Account.id).where(Account.name == name)) is not None:
            raise RecordError(
                say("there is an account of this name"), do=say("choose another name")
            )
        if player_id is not None and session.get(Player, player_id) is None:
            raise RecordError(say("this player is not in the record"), do=say("reload the list"))
        account = Account(name=name, password=hashed, role=role, player_id=player_id)
        session.add(account)
        session.flush()
        return account.id


def adopt_players(record: Record, name: str) -> int:
    """Give a coach all players that are nobody's: a laptop's record moved to a server."""
    with record.writing() as session:
        account = _load(session, name)
        ids = session.scalars(
            select(Player.id).where(Player.id.not_in(select(Owner.player_id)))
        ).all()
        for player_id in ids:
            session.execute(insert(Owner).values(player_id=player_id, account_id=account.id))
        return len(ids)


def set_password(record: Record, name: str, password: str) -> None:
    """Change a password; every browser that was signed in must sign in again."""
    hashed = _hashed(password)
    with record.writing() as session:
        account = _load(session, name)
        account.password, account.wrong_tries, account.locked_until = hashed, 0, None
        session.execute(delete(AccountSession).where(AccountSession.account_id == account.id))


def close_account(record: Record, name: str) -> None:
    """Let somebody in no more; their players stay in the record."""
    with record.writing() as session:
        account = _load(session, name)
        account.closed_at = datetime.now(UTC)
        session.execute(delete(AccountSession).where(AccountSession.account_id == account.id))


def list_accounts(record: Record) -> list[Account]:
    """List all accounts by name."""
    with record.reading() as session:
        return list(session.scalars(select(Account).order_by(Account.name)))


def count_accounts(record: Record) -> int:
    """Count the accounts that may sign in."""
    with record.reading() as session:
        return session.scalar(select(func.count()).where(Account.closed_at.is_(None))) or 0


def sign_in(record: Record, name: str, password: str, *, at: datetime) -> str | None:
    """Let somebody in; gives the token for their cookie, None where name or password is wrong.

    After a few wrong passwords in a row the account waits, longer each time.

    Raises
    ------
    RecordError : it is waiting.
    """
    with record.reading() as session:
        account = session.scalar(
            select(Account).where(Account.name == name.strip(), Account.closed_at.is_(None))
        )
        waits = account is not None and account.locked_until is not None
        if account is not None and waits and account.locked_until > at:  # type: ignore[operator]
            raise RecordError(
                say("too many wrong passwords"), do=say("wait a few minutes and try again")
            )
        kept = account.password if account is not None else _nobodys()
    right = _is_right(kept, password[:LONGEST_PASSWORD])  # slow on purpose, for nobody's too
    if account is None:
        return None
    with record.writing() as session:
        there = session.get_one(Account, account.id)
        if not right:
            there.wrong_tries += 1
            over = there.wrong_tries - TRIES_BEFORE_WAIT
            if over >= 0:
                there.locked_until = at + min(WAIT * 2 ** min(over, 10), LONGEST_WAIT)
            return None
        there.wrong_tries, there.locked_until = 0, None
        if _hasher().check_needs_rehash(there.password):
            there.password = _hasher().hash(password)
        session.execute(delete(AccountSession).where(AccountSession.ends_at < at))
        token = secrets.token_urlsafe(32)
        session.add(
            AccountSession(
                token_sha256=_fingerprint(token), account_id=there.id, ends_at=at + SIGNED_IN_FOR
            )
        )
        return token


def signed_in(record: Record, token: str, *, at: datetime) -> SignedIn | None:
    """Say who a browser's token stands for; None: nobody any more."""
    with record.reading() as session:
        account = session.scalar(
            select(Account)
            .join(AccountSession, AccountSession.account_id == Account.id)
            .where(
                AccountSession.token_sha256 == _fingerprint(token),
                AccountSession.ends_at > at,
                Account.closed_at.is_(None),
            )
        )
        if account is None:
            return None
        return SignedIn(
            account_id=account.id,
            name=account.name,
            role=account.role,
            player_id=account.player_id,
        )


def sign_out(record: Record, token: str) -> None:
    """Forget a browser."""
    with record.writing() as session:
        session.execute(
            delete(AccountSession).where(AccountSession.token_sha256 == _fingerprint(token))
        )


def note_audit(
    record: Record, *, account_id: int | None, did: str, player_id: int | None, status: int
) -> None:
    """Write down that somebody asked for something; what is older than a year goes."""
    with record.writing() as session:
        session.add(
            AuditEntry(account_id=account_id, did=did[:120], player_id=player_id, status=status)
        )
        old = datetime.now(UTC) - AUDIT_KEPT
        session.execute(delete(AuditEntry).where(AuditEntry.at < old))


def read_audit(
    record: Record, *, player_id: int | None = None, limit: int = 100
) -> list[AuditEntry]:
    """Read the newest entries, the newest first; of one player where named."""
    asked = select(AuditEntry).order_by(AuditEntry.id.desc()).limit(limit)
    if player_id is not None:
        asked = asked.where(AuditEntry.player_id == player_id)
    with record.reading() as session:
        return list(session.scalars(asked))


def _load(session: Session, name: str) -> Account:
    account = session.scalar(select(Account).where(Account.name == name.strip()))
    if account is None:
        raise RecordError(
            say("there is no account of this name"),
            do=say("list them with 'lessonmark account list'"),
        )
    return account


def _hashed(password: str) -> str:
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise RecordError(
            say("a password has at least {n} characters", n=SHORTEST_PASSWORD),
            do=say("take a few words that nobody would guess"),
        )
    return _hasher().hash(password)


def _is_right(kept: str, password: str) -> bool:
    try:
        return _hasher().verify(kept, password)
    except (VerificationError, InvalidHashError):
        return False


@cache
def _hasher() -> PasswordHasher:
    return PasswordHasher()


@cache
def _nobodys() -> str:
    """A hash that no password fits: a name that is not there takes as long as one that is."""
    return _hasher().hash(secrets.token_urlsafe(32))


def _fingerprint(token: str) -> str:
    # The token is random and long: a plain hash keeps it from being read out of the database.
    return hashlib.sha256(token.encode()).hexdigest()
