"""A sheet of another version is put aside, never written over; one of the same version is."""

from dataclasses import replace

import pytest

from lessonmark.lessons.findings import read_findings
from lessonmark.lessons.made_with import MadeWith
from lessonmark.pack.earlier_sheet import keep_earlier_sheet
from lessonmark.pack.sheet import write_sheet

OLD = MadeWith(software="0.1.0", code="a" * 64, networks={}, libraries={}, settings={})


def made(findings, version, judged="0.1.0 j1"):
    return replace(
        findings,
        judged_with=judged,
        clips=tuple(replace(clip, made_with=version) for clip in findings.clips),
    )


@pytest.mark.parametrize(
    "new",
    [{"version": replace(OLD, code="b" * 64)}, {"version": OLD, "judged": "0.2.0 j2"}],
    ids=["measured", "judged"],
)
def test_another_versions_sheet_is_put_aside_whole(findings_and_pictures, tmp_path, new):
    findings, pictures = findings_and_pictures
    old = made(findings, OLD)
    text = write_sheet(old, tmp_path, pictures=pictures).read_text()
    kept = keep_earlier_sheet(tmp_path, made(findings, **new))
    write_sheet(made(findings, **new), tmp_path, pictures=pictures)
    assert kept.read_text() == text
    assert read_findings(kept.with_name("sheet.json")) == old
    assert (tmp_path / "sheet.html").exists()


def test_the_same_versions_sheet_is_written_anew(findings_and_pictures, tmp_path):
    findings, pictures = findings_and_pictures
    write_sheet(made(findings, OLD), tmp_path, pictures=pictures)
    other = made(findings, replace(OLD, settings={"stature_cm": 160.0}))
    assert keep_earlier_sheet(tmp_path, other) is None
    assert not (tmp_path / "earlier").exists()


def test_a_sheet_of_a_layout_that_cannot_be_read_is_put_aside(findings_and_pictures, tmp_path):
    findings, pictures = findings_and_pictures
    write_sheet(made(findings, OLD), tmp_path, pictures=pictures)
    (tmp_path / "sheet.json").write_text('{"of": "long ago"}')
    kept = keep_earlier_sheet(tmp_path, made(findings, OLD))
    assert kept.with_name("sheet.json").read_text() == '{"of": "long ago"}'


def test_without_a_sheet_there_is_nothing_to_keep(findings_and_pictures, tmp_path):
    assert keep_earlier_sheet(tmp_path, made(findings_and_pictures[0], OLD)) is None
