"""The page is one page, holds the numbers, and can be read by eye and by machine."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from PIL import Image
from pypdf import PdfReader

from lessonmark.errors import PackError
from lessonmark.pack.card import write_card
from lessonmark.pack.coach_words import CoachWords, PlanLine
from lessonmark.pack.paper import PaperSize, write_paper

WORDS = CoachWords(
    coach="Robin Demo",
    causes=("The pelvis slides early", "so the upper body hangs back", "so the hinge goes early"),
    plan=(
        PlanLine(
            drill="Brush past the noodle",
            dose="3 sets of 8 at half speed",
            cue="trail side shortens",
            checkpoint="side bend at P6 at least 16° in 4 swings of 5",
            cautions=("Soft noodle only, never a stick.",),
        ),
    ),
    next_step="film five swings in three weeks",
)
# ISO 216: A4 is 210 x 297 mm; ANSI/ASME Y14.1: Letter is 8.5 x 11 in; a PDF point is 1/72 in.
SIZES_PT = {PaperSize.A4: (210 / 25.4 * 72, 297 / 25.4 * 72), PaperSize.LETTER: (612.0, 792.0)}


@pytest.mark.parametrize("size", PaperSize, ids=str)
def test_paper_is_one_page_of_its_size_with_everything_on_it(findings_and_pictures, tmp_path, size):
    findings, pictures = findings_and_pictures
    made = write_paper(findings, tmp_path / "p.pdf", pictures=pictures, words=WORDS, size=size)
    reader = PdfReader(made)
    assert len(reader.pages) == 1
    box = reader.pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(SIZES_PT[size], abs=0.5)
    text = " ".join(reader.pages[0].extract_text().split())
    for words in (
        "Ada Demo",
        "Side bend at P6",
        "not settled yet",
        *WORDS.causes,
        WORDS.plan[0].drill,
        WORDS.plan[0].checkpoint,
        WORDS.plan[0].cautions[0],
        *findings.cautions,
    ):
        assert words in text
    change = findings.focus[0].change
    assert f"{change.difference:+.1f}°" in text
    assert f"{change.low:+.1f} to {change.high:+.1f}°" in text


def test_paper_tells_its_language_and_title_to_a_screen_reader(findings_and_pictures, tmp_path):
    """PDF/UA-1 (ISO 14289-1): tagged, titled, with a language."""
    findings, pictures = findings_and_pictures
    root = PdfReader(
        write_paper(findings, tmp_path / "p.pdf", pictures=pictures, words=WORDS)
    ).trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]


def test_name_can_be_left_off_the_paper(findings_and_pictures, tmp_path):
    findings, pictures = findings_and_pictures
    made = write_paper(findings, tmp_path / "p.pdf", pictures=pictures, name_on_paper=False)
    assert "Ada" not in PdfReader(made).pages[0].extract_text()


def test_coachs_words_are_never_read_as_markup(findings_and_pictures, tmp_path):
    findings, pictures = findings_and_pictures
    odd = CoachWords(causes=('#panic("no")', "*stars* $x$ [brackets]"))
    made = write_paper(findings, tmp_path / "p.pdf", pictures=pictures, words=odd)
    text = PdfReader(made).pages[0].extract_text()
    assert '#panic("no")' in text
    assert "*stars* $x$ [brackets]" in text


def test_too_many_words_are_refused_and_the_old_page_kept(findings_and_pictures, tmp_path):
    findings, pictures = findings_and_pictures
    path = tmp_path / "p.pdf"
    path.write_bytes(b"the old page")
    endless = CoachWords(causes=("so it went on and on, " * 30,) * 20)
    with pytest.raises(PackError, match="do not fit"):
        write_paper(findings, path, pictures=pictures, words=endless)
    assert path.read_bytes() == b"the old page"


def test_same_lesson_gives_the_same_bytes(findings_and_pictures, tmp_path):
    findings, pictures = findings_and_pictures
    findings = replace(findings, focus=findings.focus[:1])
    one = write_paper(findings, tmp_path / "1.pdf", pictures=pictures, words=WORDS)
    two = write_paper(findings, tmp_path / "2.pdf", pictures=pictures, words=WORDS)
    assert one.read_bytes() == two.read_bytes()


def test_card_fills_a_phones_screen_and_its_margin_is_empty(findings_and_pictures, tmp_path):
    findings, _ = findings_and_pictures
    made = write_card(findings, tmp_path / "card.png", words=WORDS)
    image = Image.open(io.BytesIO(made.read_bytes())).convert("L")
    assert image.size == (1080, 1920)
    dark = image.point(lambda grey: 255 * (grey < 128))
    left, top, right, bottom = dark.getbbox()
    assert left >= 60
    assert top >= 60
    assert right <= 1080 - 60
    assert bottom <= 1920 - 60
