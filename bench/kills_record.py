"""What `kills_child.py` puts into its records: something in every table that holds a player."""

from __future__ import annotations

import hashlib
import importlib
import sys
from datetime import date
from pathlib import Path

from sqlalchemy import Connection, func, insert, select, text

from lessonmark.lessons.accounts import PLAYER
from lessonmark.lessons.files import write_whole
from lessonmark.lessons.passages import voice_folder
from lessonmark.lessons.record import (
    Account,
    AccountSession,
    AuditEntry,
    Base,
    Correction,
    CorrectionKind,
    DrillSet,
    Focus,
    Lesson,
    Owner,
    PackOrder,
    PackState,
    Passage,
    Player,
)
from lessonmark.words import View

sys.path.append(str(Path(__file__).parents[1] / "tests" / "lessons"))
full_lesson = importlib.import_module("full_lesson")  # what the tests fill a lesson with
STARTED = full_lesson.STARTED
# Tables that stay behind on purpose: that an erasure was, and that something was done.
KEPT = {"erasure", "audit_entry", "account", "account_session", "owner", "media"}


def fill(record, player_id: int) -> None:
    """Give a measured player's first lesson something in every other table."""
    with record.writing() as session:
        player = session.get_one(Player, player_id)
        name = player.name
        full_lesson.fill_player(player)
        lesson = player.lessons[0]
        full_lesson.fill_lesson(lesson, name)
        _pack(lesson, name)
        sound = f"the voice of the coach about {name}".encode() * 200
        file = f"{hashlib.sha256(sound).hexdigest()}.webm"
        folder = voice_folder(record.files, lesson.uid)
        folder.mkdir(exist_ok=True)
        write_whole(folder / file, sound)
        pack = folder.parent / "pack" / "lesson-2026-05-04"
        pack.mkdir(parents=True)
        write_whole(pack / "message.txt", f"Dear {name}".encode())
        lesson.passages = [
            Passage(
                rank=rank,
                at="side_bend@P6",
                view=View.FACE_ON,
                sound=file if rank == 1 else "",
                duration_s=4.0,
                caption=f"{name}, look at the hips",
                take="{}",
            )
            for rank in (1, 2)
        ]


def _pack(lesson: Lesson, name: str) -> None:
    lesson.pack = PackOrder(
        language="en",
        papers="a4",
        with_name=True,
        with_voice=True,
        talking_points=f"What {name} did",
        message=f"Dear {name}",
        state=PackState.DONE,
    )
    lesson.clips[0].corrections = [
        Correction(swing_number=1, kind=CorrectionKind.LANDMARK, name="lead_hip", at_s=0.1)
    ]


def give_accounts(record, player_id: int) -> None:
    """Let a coach own the player, and the player sign in."""
    with record.writing() as session:
        coach = Account(name=f"coach {player_id}", password="x", role="coach")
        mine = Account(name=f"player {player_id}", password="x", role=PLAYER, player_id=player_id)
        session.add_all([coach, mine])
        session.flush()
        session.execute(insert(Owner).values(player_id=player_id, account_id=coach.id))
        session.add(
            AccountSession(token_sha256=f"{player_id:064x}", account_id=mine.id, ends_at=STARTED)
        )
        session.add(AuditEntry(account_id=coach.id, did="GET /", player_id=player_id, status=200))


def counts(record, *, player_id: int | None = None) -> dict[str, int]:
    """Count the rows of every table that holds players' data, or those with one player in it."""
    with record.reading() as session:
        if player_id is not None:
            tables = {"owner": Owner, "account": Account, "audit_entry": AuditEntry}
            return {
                name: session.scalar(
                    select(func.count()).select_from(one).where(one.player_id == player_id)
                )
                for name, one in tables.items()
            }
        return {
            table.name: session.scalar(select(func.count()).select_from(table))
            for table in Base.metadata.sorted_tables
            if table.name not in KEPT
        }


def add_first_revision(connection: Connection, players: int) -> None:
    """Write players with a judged lesson each as the first revision kept them."""
    for n in range(1, players + 1):
        values = {"n": n, "uid": f"{n:032x}", "name": f"Ödön {n}"}
        for statement in _FIRST:
            connection.execute(text(statement), values)


_WHEN = "'2026-01-01 00:00:00'"
_FIRST = (
    "INSERT INTO player (id, uid, name, handedness, note, consent_by, guardian, created_at)"
    f" VALUES (:n, :uid, :name, 'right', '', '', '', {_WHEN})",
    "INSERT INTO lesson (id, uid, player_id, kind, title, started_at, club, note)"
    f" VALUES (:n, :uid, :n, 'lesson', 'Übung', {_WHEN}, '7-iron', '')",
    "INSERT INTO focus (lesson_id, rank, at, view, direction)"
    " VALUES (:n, 1, 'side_bend@P6', 'face-on', 'more')",
    "INSERT INTO drill_set (lesson_id, rank, drill, name, dose) VALUES (:n, 1, '', 'Fuß', '')",
    "INSERT INTO lesson_finding (lesson_id, findings, made_at, stale) VALUES (:n,"
    """ '{"focus": [{"at": {"measure": "side_bend", "position": "P6"}, "view": "face-on","""
    f""" "change": {{"kept": true}}}}]}}', {_WHEN}, 0)""",
)


def brought_over(record) -> tuple[int, ...]:
    """Count what the migrations must have filled: names, titles, days of drills, changes."""
    with record.reading() as session:
        return tuple(
            session.scalar(select(func.count()).where(which)) or 0
            for which in (
                Player.search.startswith("odon "),
                Lesson.search.startswith("ubung"),
                DrillSet.set_on == date(2026, 1, 1),
                Focus.change.contains("kept"),
                Lesson.problem == "",
            )
        )
