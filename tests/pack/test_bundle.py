"""The pack is whole, can be checked by anyone, and leaves an older one alone when it fails."""

from __future__ import annotations

import subprocess
import zipfile
from dataclasses import replace

import pytest

from lessonmark.errors import PackError
from lessonmark.pack.bundle import MANIFEST, PackChoices, write_pack

QUICK = PackChoices(with_video=False)


@pytest.fixture(scope="module")
def pack(findings_and_pictures, tmp_path_factory):
    findings, pictures = findings_and_pictures
    target = tmp_path_factory.mktemp("packs") / "lesson-2026-05-14"
    return write_pack(findings, target, lesson_folder=pictures, pictures=pictures, choices=QUICK)


def test_everything_is_in_the_folder_and_in_the_zip(pack):
    assert set(pack.files) == {
        "sheet.html",
        "sheet.json",
        "page-a4.pdf",
        "page-letter.pdf",
        "card.png",
        "talking-points.txt",
        "message.txt",
        MANIFEST,
    }
    with zipfile.ZipFile(pack.zip_file) as archive:
        assert archive.testzip() is None
        inside = {name.removeprefix("lesson-2026-05-14/") for name in archive.namelist()}
        assert inside == set(pack.files)
        for name in pack.files:
            inner = archive.read(f"lesson-2026-05-14/{name}")
            assert inner == (pack.folder / name).read_bytes()


def test_manifest_is_checked_by_the_systems_own_tool(pack):
    """Reference: sha256sum of GNU coreutils."""
    check = ["sha256sum", "--check", "--strict", MANIFEST]
    done = subprocess.run(check, cwd=pack.folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert done.stdout.count(": OK") == len(pack.files) - 1


def test_name_is_nowhere_unless_wanted(pack):
    for name in pack.files:
        assert b"Ada" not in (pack.folder / name).read_bytes()


def test_coachs_own_text_is_used_as_it_is(findings_and_pictures, tmp_path):
    findings, pictures = findings_and_pictures
    made = write_pack(
        replace(findings, focus=findings.focus[:1], side_effects=()),
        tmp_path / "pack",
        lesson_folder=pictures,
        pictures=pictures,
        choices=replace(QUICK, papers=(), talking_points="My words.", message="Hi."),
    )
    assert (made.folder / "talking-points.txt").read_text(encoding="utf-8") == "My words."
    assert (made.folder / "message.txt").read_text(encoding="utf-8") == "Hi."


def test_failing_leaves_the_older_pack_and_nothing_else(findings_and_pictures, tmp_path):
    findings, _ = findings_and_pictures
    target = tmp_path / "pack"
    target.mkdir()
    (target / "old.txt").write_text("old", encoding="utf-8")
    with pytest.raises(PackError):
        write_pack(
            findings, target, lesson_folder=tmp_path, pictures=tmp_path / "none", choices=QUICK
        )
    assert [path.name for path in tmp_path.iterdir()] == ["pack"]
    assert (target / "old.txt").read_text(encoding="utf-8") == "old"
