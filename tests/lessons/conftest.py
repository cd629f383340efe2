"""A fresh record under tmp_path, and the smallest player that has a bit of everything."""

import importlib
import io
import sys
from datetime import date, timedelta
from pathlib import Path

import pytest

from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.lessons.folding import fold
from lessonmark.lessons.record import (
    Clip,
    ClipState,
    Correction,
    CorrectionKind,
    Lesson,
    LessonFinding,
    Media,
    Player,
    Swing,
)
from lessonmark.lessons.store import open_record
from lessonmark.measures.measured import Measured
from lessonmark.positions.times import SwingPositions
from lessonmark.words import Handedness, Stage, View

sys.path.append(str(Path(__file__).parent))
full_lesson = importlib.import_module("full_lesson")  # as the benches load it
STARTED = full_lesson.STARTED


@pytest.fixture
def database(request):
    """The record's database: SQLite in its own folder, or as a test asks for it.

    'postgres': on a server. 'sealed': SQLite in its own folder, encrypted, and the files as well.
    """
    kind = getattr(request, "param", "sqlite")
    if kind == "postgres":
        return request.getfixturevalue("postgres_database")
    return "sealed" if kind == "sealed" else None


@pytest.fixture
def record(tmp_path, database, request):
    if database == "sealed":
        sealer = request.getfixturevalue("sealer")
        sealer.seal(tmp_path / "data")
        opened = sealer.open(tmp_path / "data")
    else:
        opened = open_record(tmp_path / "data", database=database)
    yield opened
    opened.close()


@pytest.fixture
def add_player(record):
    """Add a player with lessons; every clip's file holds different bytes."""

    def add(name="Wilma Testerly", *, lessons=1, clips=2, first_byte=0):
        count = 0
        with record.writing() as session:
            player = Player(
                name=name,
                search=fold(name),
                birth_year=2012,
                guardian=f"Guardian of {name}",
                consent_on=date(2026, 5, 1),
                consent_by=f"Guardian of {name}",
                note=f"private words about {name}, kept by the coach alone",
            )
            full_lesson.fill_player(player)
            session.add(player)
            session.flush()
            for number in range(lessons):
                lesson = Lesson(
                    player_id=player.id,
                    title="short irons",
                    started_at=STARTED + timedelta(days=7 * number),
                    club="7-iron",
                    club_length_cm=94.0,
                    next_on=date(2026, 6, 1),
                )
                full_lesson.fill_lesson(lesson, name)
                lesson.finding = LessonFinding(findings="{}", measured_with="0.1.0 2222")
                for i in range(clips):
                    content = bytes([first_byte + count]) * 5000
                    count += 1
                    kept = record.files.keep_stream(io.BytesIO(content), ".mp4")
                    (record.files.derived(kept.sha256) / "track.nc").write_bytes(b"a track")
                    if session.get(Media, kept.sha256) is None:
                        session.add(
                            Media(
                                sha256=kept.sha256, size_bytes=kept.size_bytes, suffix=kept.suffix
                            )
                        )
                    clip = Clip(
                        sha256=kept.sha256,
                        name=f"IMG_{i}.MP4",
                        filmed_at=lesson.started_at + timedelta(minutes=i),
                        view=View.FACE_ON,
                        stage=Stage.BEFORE if i == 0 else Stage.AFTER,
                        stick=[[10.5, 900.0], [300.0, 905.25]],
                        stick_cm=121.9,
                        state=ClipState.DONE,
                        finding="{}",
                    )
                    clip.swings = [
                        Swing(number=1, finding="{}", numbers={"side_bend@P6": [12.5, 1.5, 0.5]})
                    ]
                    clip.corrections = [
                        Correction(
                            swing_number=1,
                            kind=CorrectionKind.LANDMARK,
                            name="left_hip",
                            at_s=1.25,
                            x_px=301.5,
                            y_px=402.25,
                        )
                    ]
                    clip.player_id = player.id
                    lesson.clips.append(clip)
                session.add(lesson)
                session.flush()
                folder = record.files.lesson_folder(lesson.uid)
                (folder / "sheets").mkdir()
                (folder / "sheets" / "sheet.html").write_text(f"<p>sheet of {name}</p>")
            return player.id

    return add


@pytest.fixture
def measured_clip():
    """Build a clip's finding with one face-on swing that has two measures at P6."""

    def clip(number: int, stage: Stage, slide: float, hinge: float) -> ClipFinding:
        name = f"{stage}/{number}.mp4"
        values = {
            "pelvis_shift@P6": Measured(value=slide, se=0.1, systematic=1.0),
            "hinge@P6": Measured(value=hinge, se=0.2, systematic=5.0),
        }
        swing = SwingFinding(
            swing_id=f"{name}#1",
            clip=name,
            number=1,
            stage=stage,
            view=View.FACE_ON,
            positions=SwingPositions(),
            values=values,
            refused={},
            toward=1,
            ball=None,
            span_s=(0.0, 2.0),
        )
        return ClipFinding(
            clip=name,
            sha256="0" * 64,
            stage=stage,
            view=View.FACE_ON,
            fps_filmed=120.0,
            width=720,
            height=1280,
            duration_s=2.0,
            swings=(swing,),
            track="",
            handedness_seen=Handedness.RIGHT,
            scale=None,
            camera=None,
        )

    return clip
