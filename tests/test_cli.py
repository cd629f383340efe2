"""The command line: words for people, exit codes, and no command that the README does not know."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from sqlalchemy import select
from typer.testing import CliRunner

from lessonmark import __version__, record_commands
from lessonmark.cli import app
from lessonmark.lessons.record import Player
from lessonmark.lessons.store import open_record
from lessonmark.measures.registry import catalogue
from lessonmark.pack import words_file

ROOT = Path(__file__).parents[1]
run = CliRunner().invoke


def test_version_is_the_packages():
    assert run(app, ["version"]).stdout.strip() == __version__


def test_measures_lists_the_whole_catalogue():
    said = run(app, ["measures"], env={"COLUMNS": "200"}).stdout
    assert all(entry.id in said for entry in catalogue())


def test_a_folder_without_a_lesson_ends_with_words_and_code_1(tmp_path):
    result = run(app, ["analyse", str(tmp_path)])
    assert result.exit_code == 1
    assert "no lesson.toml" in result.stderr
    assert "Traceback" not in result.output


def test_an_unknown_focus_measure_is_refused_before_any_work(tmp_path):
    text = (ROOT / "demo/lesson/lesson.toml").read_text()
    (tmp_path / "lesson.toml").write_text(text.replace("hinge@P6", "hingee@P6"))
    result = run(app, ["analyse", str(tmp_path)])
    assert result.exit_code == 1
    assert "'hingee' is not in the catalogue" in " ".join(result.stderr.split())
    assert not (tmp_path / "out").exists()


def test_pack_and_drills_know_the_coachs_own_drills(tmp_path, write_drill, monkeypatch):
    monkeypatch.setenv("LESSONMARK_DATA", str(tmp_path / "data"))
    write_drill(tmp_path / "data" / "drills" / "wait.toml", id="wait", name="Wait a beat")
    assert "Wait a beat" in run(app, ["drills", "--show", "wait"]).stdout
    given = []
    monkeypatch.setattr(words_file, "read_words", lambda _, drills: given.extend(drills))
    assert run(app, ["pack", str(tmp_path)]).exit_code == 1  # there is no lesson
    assert "Wait a beat" in {drill.name for drill in given}


COMMANDS = [*app.registered_commands, *record_commands.app.registered_commands]


@pytest.mark.parametrize("name", [c.name or c.callback.__name__ for c in COMMANDS])
def test_every_command_stands_in_the_readme(name):
    if name == "version":
        pytest.skip("says only a number")
    assert f"lessonmark {name}" in (ROOT / "README.md").read_text()


def test_a_record_is_backed_up_restored_and_verified(tmp_path):
    record = open_record(tmp_path / "data")
    with record.writing() as session:
        session.add(Player(name="Wilma Testerly"))
    record.files.keep_stream(io.BytesIO(b"a clip"), ".mp4")
    record.close()
    zipped, back = tmp_path / "kept.zip", tmp_path / "back"
    made = run(app, ["backup", str(zipped), "--folder", str(tmp_path / "data")])
    assert made.exit_code == 0, made.output
    assert run(app, ["restore", str(zipped), "--folder", str(back)]).exit_code == 0
    assert run(app, ["verify", "--folder", str(back)]).exit_code == 0
    record = open_record(back)
    with record.reading() as session:
        assert session.scalars(select(Player.name)).all() == ["Wilma Testerly"]
    record.close()
    # A second restore would write over it.
    again = run(app, ["restore", str(zipped), "--folder", str(back)])
    assert again.exit_code == 1
    assert "something in this folder" in " ".join(again.stderr.split())


def test_a_folder_without_a_record_is_not_said_to_be_whole(tmp_path):
    result = run(app, ["verify", "--folder", str(tmp_path)])
    assert result.exit_code == 1
    assert "no record" in result.stderr
    assert list(tmp_path.iterdir()) == []
