"""What `kills_child.py` puts into its records: something in every table that holds a player."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime

from sqlalchemy import Connection, func, insert, select, text

from lessonmark.lessons.accounts import PLAYER
from lessonmark.lessons.files import write_whole
from lessonmark.lessons.passages import voice_folder
from lessonmark.lessons.record import (
    Account,
    AccountSession,
    Attempt,
    AttemptOutcome,
    AuditEntry,
    Base,
    CauseStep,
    Correction,
    CorrectionKind,
    Cue,
    DrillSet,
    Focus,
    FormerFinding,
    InjuryNote,
    Lesson,
    Owner,
    PackOrder,
    PackState,
    Passage,
    PictureChoice,
    PlannedPractice,
    Player,
    TargetWindow,
)
from lessonmark.words import View

STARTED = datetime(2026, 5, 4, 9, tzinfo=UTC)
# Tables that stay behind on purpose: that an erasure was, and that something was done.
KEPT = {"erasure", "audit_entry", "account", "account_session", "owner", "media"}


def fill(record, player_id: int) -> None:
    """Give a measured player's first lesson something in every other table."""
    with record.writing() as session:
        player = session.get_one(Player, player_id)
        name = player.name
        player.injuries = [InjuryNote(noted_on=date(2026, 4, 1), words=f"sore back, {name} said")]
        player.targets = [TargetWindow(at="side_bend@P6", view=View.FACE_ON, low=None, high=30.0)]
        lesson = player.lessons[0]
        _plan(lesson, name)
        _words(lesson, name)
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


def _plan(lesson: Lesson, name: str) -> None:
    lesson.attempts = [
        Attempt(
            at=STARTED,
            drill="towel-behind-ball",
            name="towel behind the ball",
            checkpoint="side_bend@P6 at least 16",
            swings=5,
            met=3,
            too_close=1,
            outcome=AttemptOutcome.TOO_CLOSE,
        )
    ]
    lesson.causes = [CauseStep(rank=1, words=f"{name} slides", at="pelvis_shift@P4", way="more")]
    lesson.planned = PlannedPractice(
        starts_on=date(2026, 5, 5), next_on=date(2026, 6, 1), plan=f'{{"for": "{name}"}}'
    )
    lesson.drills = [DrillSet(rank=1, name=f"feet together, {name}", minutes=10, sets=3)]


def _words(lesson: Lesson, name: str) -> None:
    lesson.focus = [Focus(rank=1, at="side_bend@P6", view=View.FACE_ON)]
    lesson.cues = [Cue(rank=1, words=f"trail shoulder high, {name}")]
    lesson.pictures = [
        PictureChoice(at="side_bend@P6", view=View.FACE_ON, before="a#1", after="b#1")
    ]
    lesson.former = [
        FormerFinding(findings=f'{{"of": "{name}"}}', made_at=STARTED, measured_with="0.1.0 1111")
    ]
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
