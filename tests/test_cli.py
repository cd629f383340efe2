"""The command line: words for people, exit codes, and no command that the README does not know."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from lessonmark import __version__
from lessonmark.cli import app
from lessonmark.measures.registry import catalogue

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


@pytest.mark.parametrize("name", [c.name or c.callback.__name__ for c in app.registered_commands])
def test_every_command_stands_in_the_readme(name):
    if name == "version":
        pytest.skip("says only a number")
    assert f"lessonmark {name}" in (ROOT / "README.md").read_text()
