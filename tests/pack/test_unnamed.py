"""Nothing in a pack tells who it is for, where the coach wants it so."""

from __future__ import annotations

from dataclasses import replace

import pytest

from lessonmark.pack.unnamed import call_clips_by_number, where_the_name_stands


def test_clips_are_called_by_number_wherever_they_are_named(findings_and_pictures):
    made, _ = findings_and_pictures
    old = [f"Ada's drive {n}~{n:06x}" for n in range(len(made.clips))]
    clips = tuple(
        replace(
            clip,
            clip=name,
            swings=tuple(replace(s, clip=name, swing_id=f"{name}#{s.number}") for s in clip.swings),
        )
        for clip, name in zip(made.clips, old, strict=True)
    )
    findings, names = call_clips_by_number(replace(made, clips=clips), old)
    assert names == {name: f"clip-{n:02d}" for n, name in enumerate(old, start=1)}
    assert [clip.clip for clip in findings.clips] == list(names.values())
    assert findings.clips[1].swings[0].swing_id == "clip-02#1"
    # Nothing else has changed.
    back = replace(findings, clips=clips)
    assert back == replace(made, clips=clips)


def test_one_name_may_be_the_end_of_another(findings_and_pictures):
    made, _ = findings_and_pictures
    old = ["b~000001", "ab~000001", "c~000002"]
    clips = tuple(
        replace(clip, clip=name, swings=()) for clip, name in zip(made.clips, old, strict=True)
    )
    findings, _ = call_clips_by_number(replace(made, clips=clips), old)
    assert [clip.clip for clip in findings.clips] == ["clip-01", "clip-02", "clip-03"]


@pytest.mark.parametrize(
    ("name", "text", "found"),
    [
        ("Wilma Testerly", "Well done, wilma!", True),
        ("Wilma Testerly", "TESTERLY, second lesson", True),
        ("Łukasz Fürge", "furge", True),
        ("Wilma Testerly", "the wilmas of this world", False),
        ("Al Bo", "also about all", False),
        ("Wilma Testerly", "", False),
    ],
)
def test_the_name_is_found_as_a_word(name, text, found):
    assert where_the_name_stands(name, {"the message": text}) == (("the message",) if found else ())
