"""All three depths of a verdict can be reached from a terminal; the analysis itself is stood in."""

from types import SimpleNamespace

import pytest
from typer.testing import CliRunner

from lessonmark.cli import app
from lessonmark.evidence.report import MeasureInStages, judge_lesson
from lessonmark.measures.measured import Measured
from lessonmark.words import Stage


def swings(*values):
    return tuple(Measured(value=value, se=0.5, systematic=0.2) for value in values)


REPORT = judge_lesson(
    [
        MeasureInStages(
            key="side_bend@P6",
            name="side bend at P6",
            unit="deg",
            stages={
                Stage.BEFORE: swings(10, 11, 9, 10.5, 9.5),
                Stage.AFTER: swings(18, 19, 17, 18.5, 17.5),
            },
            smallest_worth=4.0,
            direction="more",
        )
    ]
)


@pytest.fixture
def analysed(monkeypatch):
    from lessonmark.lessons import analysis
    from lessonmark.pack import analyse

    monkeypatch.setattr(analyse, "analyse", lambda *a, **k: SimpleNamespace(findings=None))
    monkeypatch.setattr(analysis, "report_evidence", lambda *a, **k: REPORT)


@pytest.mark.parametrize(
    ("depth", "said", "unsaid"),
    [
        ("player", "the way you and your coach wanted", "interval +"),
        ("coach", "95 % interval", "Holm"),
        ("analyst", "Holm", "the way you and your coach wanted"),
    ],
)
def test_each_depth_is_printed(analysed, tmp_path, depth, said, unsaid):
    done = CliRunner().invoke(app, ["evidence", str(tmp_path), "--depth", depth])
    assert done.exit_code == 0, done.output
    text = " ".join(done.output.split("Focus measures", 1)[1].split())
    assert said in text
    assert unsaid not in text


def test_an_unknown_depth_is_refused_in_words(tmp_path):
    done = CliRunner().invoke(app, ["evidence", str(tmp_path), "--depth", "deep"])
    assert done.exit_code == 2
    assert "player, coach or analyst" in " ".join(done.output.split())


def test_which_drill_works_is_said_or_refused_with_a_reason(tmp_path):
    done = CliRunner().invoke(app, ["drills", "--effect", "--record", str(tmp_path / "record")])
    assert done.exit_code == 0, done.output
    assert "nothing can be said" in " ".join(done.output.split())
