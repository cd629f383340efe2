"""Sealing, unsealing and the passphrase from a terminal."""

import pytest
from typer.testing import CliRunner

from lessonmark import seal_commands
from lessonmark.cli import app
from lessonmark.lessons import passphrase
from lessonmark.lessons.record import Player
from lessonmark.lessons.sealed_database import is_plain
from lessonmark.lessons.store import DATABASE_NAME, open_record

FIRST, SECOND = "seven quiet putters under a bridge", "nine loud wedges on a red roof"


@pytest.fixture
def folder(tmp_path):
    record = open_record(tmp_path / "data")
    with record.writing() as session:
        session.add(Player(name="Wilma Testerly", search="wilma testerly"))
    record.close()
    return tmp_path / "data"


def run(*words, code=0, **environment):
    done = CliRunner().invoke(app, [*map(str, words)], env=environment)
    assert done.exit_code == code, done.output
    return " ".join(done.output.split())


def test_sealed_passphrase_changed_backed_up_and_unsealed(folder, tmp_path):
    said = run("seal", "--folder", folder, LESSONMARK_PASSPHRASE=FIRST)
    assert "Whoever loses the passphrase and the recovery key has lost the record" in said
    assert "AGE-SECRET-KEY-1" in said
    assert "an SSD above all, may still hold parts of them" in said
    assert not is_plain(folder / DATABASE_NAME)
    changed = {"LESSONMARK_PASSPHRASE": FIRST, "LESSONMARK_NEW_PASSPHRASE": SECOND}
    assert "Backups from before" in run("passphrase", "--folder", folder, **changed)
    said = run("verify", "--folder", folder, code=1, LESSONMARK_PASSPHRASE=FIRST)
    assert "this passphrase does not open the record" in said
    now = {"LESSONMARK_PASSPHRASE": SECOND}
    assert "are whole" in run("verify", "--folder", folder, **now)
    run("backup", tmp_path / "b.zip", "--folder", folder, **now)
    run("restore", tmp_path / "b.zip", "--folder", tmp_path / "again", **now)
    assert not is_plain(tmp_path / "again" / DATABASE_NAME)
    day = ("--since", "2026-01-01", "--only-report")
    assert "0 of 0 clips" in run("remeasure", *day, "--folder", folder, **now)
    assert "in clear again" in run("unseal", "--folder", folder, **now)
    record = open_record(folder)
    with record.reading() as session:
        assert session.get_one(Player, 1).name == "Wilma Testerly"
    record.close()


def test_the_recovery_key_is_enough(folder, monkeypatch):
    said = run("seal", "--folder", folder, LESSONMARK_PASSPHRASE=FIRST)
    key = next(word for word in said.split() if word.startswith("AGE-SECRET-KEY-1"))
    monkeypatch.setattr(passphrase, "type_passphrase", lambda prompt: key)
    new = {"LESSONMARK_NEW_PASSPHRASE": SECOND}
    run("passphrase", "--recovery", "--folder", folder, **new)
    assert "are whole" in run("verify", "--folder", folder, LESSONMARK_PASSPHRASE=SECOND)


def test_a_passphrase_is_typed_twice(folder, monkeypatch):
    typed = iter([FIRST, "another one that is long"])
    monkeypatch.setattr(passphrase, "type_passphrase", lambda prompt: next(typed))
    assert "are not the same" in run("seal", "--folder", folder, code=1)
    assert is_plain(folder / DATABASE_NAME)
    open_record(folder).close()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("unseal",), "this record is not sealed"),
        (("passphrase",), "this record is not sealed"),
    ],
    ids=["unseal", "passphrase"],
)
def test_what_is_not_sealed_is_said(folder, words, said):
    assert said in run(*words, "--folder", folder, code=1, LESSONMARK_PASSPHRASE=FIRST)


def test_no_record_is_said(tmp_path):
    said = run("seal", "--folder", tmp_path, code=1, LESSONMARK_PASSPHRASE=FIRST)
    assert "there is no record in this folder" in said
    assert not list(tmp_path.iterdir())


def test_no_passphrase_stands_in_a_command():
    """Other users of a machine see its commands: no option takes one."""
    for name in ("seal", "unseal", "passphrase"):
        command = next(
            c for c in seal_commands.app.registered_commands if c.callback.__name__ == name
        )
        assert set(command.callback.__annotations__) <= {"folder", "recovery", "return"}
