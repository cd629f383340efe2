"""The drill library: every file is sound, a coach's own is read, a wrong one is told in words."""

import xml.etree.ElementTree as ET

import pytest

from lessonmark.drills.drawing import drill_drawing
from lessonmark.drills.library import (
    NO_SOURCE,
    Constraint,
    caution_sentences,
    drills_for,
    find_drill,
    read_library,
)
from lessonmark.errors import LessonFileError, RecordError
from lessonmark.language import speaking
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.registry import catalogue
from lessonmark.words import Handedness, Position, View

DRILLS = read_library()
IDS = [drill.id for drill in DRILLS]

OWN = """
id = "my-drill"
name = "My drill"
constraint = "pause"
source = "common practice, no source"
set_up = ["Stand {somewhere}."]
cue = "Wait."
easier = "Shorter."
harder = "Longer."
cautions = ["space", "Mind the {dog}."]
[[changes]]
measure = "tempo"
view = "face-on"
direction = "more"
[dose]
sets = 1
swings = 5
speed = "half"
rest_s = 30
[checkpoint]
measure = "tempo"
view = "face-on"
comparison = "at least"
value = 2.7
met = 3
of = 5
[juniors]
most_swings = 20
"""


def test_there_are_twenty_or_more_and_every_kind_of_constraint():
    assert len(DRILLS) >= 20
    assert {drill.constraint for drill in DRILLS} == set(Constraint)


@pytest.mark.parametrize("drill", DRILLS, ids=IDS)
def test_what_a_drill_is_for_is_in_the_catalogue(drill):
    known = {
        (str(MeasureAt(measure=e.id, position=p)), view)
        for e in catalogue()
        for view in e.views
        for p in ((None,) if e.is_span else e.positions_from(view))
    }
    for wanted in (*drill.changes, drill.checkpoint):
        assert (str(wanted.at), wanted.view) in known


@pytest.mark.parametrize("drill", DRILLS, ids=IDS)
def test_every_drill_names_its_source_and_its_cautions(drill):
    assert drill.source == NO_SOURCE or any(c.isdigit() for c in drill.source)
    sentences = caution_sentences(drill)
    assert any("two club lengths" in sentence for sentence in sentences)
    assert drill.juniors.most_swings <= max(40, drill.dose.total)
    if drill.constraint is Constraint.OBSTACLE:
        assert any("foam" in sentence for sentence in sentences)


@pytest.mark.parametrize("drill", DRILLS, ids=IDS)
def test_the_checkpoint_looks_at_what_the_drill_is_for(drill):
    assert drill.checkpoint.measure in {change.measure for change in drill.changes}
    wanted = {change.measure: change.direction for change in drill.changes}
    up = drill.checkpoint.comparison in ("at least", "more than before")
    assert wanted[drill.checkpoint.measure] == ("more" if up else "less")


@pytest.mark.parametrize("drill", DRILLS, ids=IDS)
@pytest.mark.parametrize("hand", Handedness)
def test_every_drill_has_a_drawing_inside_its_frame(drill, hand):
    root = ET.fromstring(drill_drawing(drill, handedness=hand))
    wide, tall = (float(n) for n in root.get("viewBox").split()[2:])
    space = "{http://www.w3.org/2000/svg}"
    ends = [
        (float(line.get(f"x{i}")), float(line.get(f"y{i}")))
        for line in root.iter(f"{space}line")
        for i in (1, 2)
    ]
    assert len(ends) > 8
    assert all(0 <= x <= wide and 0 <= y <= tall for x, y in ends)
    assert ("scale(-1 1)" in ET.tostring(root, encoding="unicode")) == (hand is Handedness.LEFT)


def test_a_coachs_own_drill_is_read_and_stands_in_for_ours(tmp_path):
    (tmp_path / "a.toml").write_text(OWN)
    (tmp_path / "b.toml").write_text(OWN.replace("my-drill", "slow-motion"))
    drills = read_library(tmp_path)
    assert len(drills) == len(DRILLS) + 1
    assert find_drill(drills, "slow-motion").name == "My drill"
    assert caution_sentences(find_drill(drills, "my-drill"))[1] == "Mind the {dog}."


def test_a_drill_is_said_in_another_language_where_its_file_has_it(tmp_path):
    (tmp_path / "a.toml").write_text(OWN + '[words.de]\nname = "Mein Drill"\n')
    drill = find_drill(read_library(tmp_path), "my-drill")
    with speaking("de"):
        assert drill.said().name == "Mein Drill"
        assert drill.said().cue == "Wait."
    assert drill.said().name == "My drill"


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (OWN.replace("cue =", "kue ="), "unknown key 'kue'"),
        (OWN.replace('measure = "tempo"', 'measure = "tempoo"'), "no measure called tempoo"),
        (OWN.replace('measure = "tempo"', 'measure = "hinge"'), "hinge is not measured"),
        (OWN.replace("met = 3", "met = 6"), "6 swings of 5"),
        (OWN.replace('"pause"', '"obstacle"'), "'soft'"),
        (OWN.replace('["space",', '["spice",'), "caution 'spice'"),
        (OWN.replace("sets = 1", "sets = "), "not TOML"),
        (OWN.replace('cue = "Wait."', ""), "'cue' is missing"),
    ],
    ids=["key", "measure", "position", "count", "soft", "caution", "toml", "missing"],
)
def test_a_wrong_file_is_told_with_its_name(tmp_path, wrong, words):
    (tmp_path / "mine.toml").write_text(wrong)
    with pytest.raises(LessonFileError, match=words) as told:
        read_library(tmp_path)
    assert str(told.value).startswith("mine.toml")
    assert told.value.do


def test_two_files_with_one_id_and_no_folder_are_told(tmp_path):
    for name in ("a", "b"):
        (tmp_path / f"{name}.toml").write_text(OWN)
    with pytest.raises(LessonFileError, match="used by two files"):
        read_library(tmp_path)
    with pytest.raises(LessonFileError, match="no such folder"):
        read_library(tmp_path / "nowhere")
    with pytest.raises(RecordError, match="no drill called 'x'"):
        find_drill(DRILLS, "x")


def test_drills_for_a_measure_go_the_wanted_way_with_its_position_first():
    at = MeasureAt(measure="pelvis_shift", position=Position.P6)
    found = drills_for(DRILLS, at, "less", View.FACE_ON)
    assert {"noodle-behind-hip", "slow-motion"} <= {d.id for d in found}
    assert "tee-in-front" not in {d.id for d in found}
    every = drills_for(DRILLS, at, "", View.FACE_ON)
    places = [any(c.measure == str(at) for c in drill.changes) for drill in every]
    assert places == sorted(places, reverse=True)
    assert False in places
