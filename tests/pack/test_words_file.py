"""pack.toml brings the coach's words; a mistake in it is said with its place."""

from __future__ import annotations

import pytest

from lessonmark.drills.library import caution_sentences, find_drill, read_library
from lessonmark.errors import PackError
from lessonmark.lessons.coach_library import library_at_hand
from lessonmark.pack.coach_words import CoachWords
from lessonmark.pack.words_file import read_words


def _write(folder, text):
    (folder / "pack.toml").write_text(text, encoding="utf-8")
    return folder


def test_no_file_means_no_words(tmp_path):
    assert read_words(tmp_path) == CoachWords()


def test_library_drill_brings_its_cautions_and_own_words_stay(tmp_path):
    words = read_words(
        _write(
            tmp_path,
            'causes = ["slides", "hangs back"]\nnext = "in three weeks"\n'
            '[[plan]]\ndrill = "noodle-behind-hip"\ndose = "3 sets"\n'
            '[[plan]]\ndrill = "Hum the beat"\ncautions = ["Quietly."]\n',
        )
    )
    drill = find_drill(read_library(), "noodle-behind-hip")
    assert words.causes == ("slides", "hangs back")
    assert (words.plan[0].drill, words.plan[0].dose) == (drill.name, "3 sets")
    assert words.plan[0].cautions == caution_sentences(drill)
    assert (words.plan[1].drill, words.plan[1].cautions) == ("Hum the beat", ("Quietly.",))


def test_coachs_own_drill_brings_its_words_too(tmp_path, write_drill, monkeypatch):
    """From the folder beside the record, or from one that is named."""
    monkeypatch.setenv("LESSONMARK_DATA", str(tmp_path / "data"))
    write_drill(tmp_path / "data" / "drills" / "wait.toml", id="wait", name="Wait", cue="A beat.")
    write_drill(tmp_path / "other" / "hum.toml", id="hum", name="Hum the beat")
    _write(tmp_path, '[[plan]]\ndrill = "wait"\n[[plan]]\ndrill = "hum"\n')
    for own, known in ((None, "Wait"), (tmp_path / "other", "Hum the beat")):
        plan = read_words(tmp_path, drills=library_at_hand(own)).plan
        found = {line.drill: line.cautions for line in plan}
        assert found[known] == caution_sentences(find_drill(read_library(), "feet-together"))
        assert sum(bool(cautions) for cautions in found.values()) == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('cause = ["x"]', "unknown key 'cause'"),
        ('[[plan]]\ndrill = "a"\ndos = "b"', "unknown key 'dos'"),
        ("causes = 3", "it cannot be used"),
        ("coach = ", "not TOML"),
    ],
    ids=["misspelt", "misspelt in the plan", "no list", "no TOML"],
)
def test_mistake_is_said(tmp_path, text, said):
    with pytest.raises(PackError, match=said) as caught:
        read_words(_write(tmp_path, text))
    assert caught.value.path.name == "pack.toml"
    assert caught.value.do
