"""The sheet says what the findings say, alone, on a phone."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from importlib import resources

import pytest
from scipy import stats

from lessonmark.errors import PackError
from lessonmark.language import speaking
from lessonmark.lessons.findings import StageValues, read_findings
from lessonmark.measures.measured import Measured
from lessonmark.pack.charts import measure_chart, summarise_stage
from lessonmark.pack.sheet import write_sheet
from lessonmark.pack.stage_style import DARK_PAPER, INK, PAPER, STYLES
from lessonmark.words import Stage


@pytest.fixture(scope="module")
def sheet(findings_and_pictures, tmp_path_factory):
    findings, pictures = findings_and_pictures
    return write_sheet(findings, tmp_path_factory.mktemp("sheet"), pictures=pictures)


def test_json_beside_the_sheet_reads_back_as_the_findings(findings_and_pictures, sheet):
    assert read_findings(sheet.with_name("sheet.json")) == findings_and_pictures[0]


def test_everything_is_inside_the_file(sheet):
    page = sheet.read_text(encoding="utf-8")
    links = re.findall(r"""(?:href|src)\s*=\s*["']([^"']+)|url\(([^)]+)\)""", page)
    addresses = {a or b for a, b in links}
    assert addresses
    assert all(a.startswith(("data:", "#")) for a in addresses)
    assert "<script" not in page


def test_parts_come_in_the_order_of_the_lesson(sheet):
    page = sheet.read_text(encoding="utf-8")
    order = ("What you worked on", "A lead, not a finding", "could not be measured", "practise")
    at = [page.index(words) for words in order]
    assert at == sorted(at)


def test_every_refusal_and_caution_is_there(findings_and_pictures, sheet):
    page = sheet.read_text(encoding="utf-8")
    findings = findings_and_pictures[0]
    for refused in findings.not_measured.values():
        assert refused.reason[1:] in page
    for problem in findings.problems:
        assert problem.clip in page
        assert problem.what[1:] in page
    for caution in findings.cautions:
        assert caution.replace("'", "&#39;") in page


def test_name_stays_away_where_it_is_not_wanted(findings_and_pictures, tmp_path):
    findings, pictures = findings_and_pictures
    made = write_sheet(findings, tmp_path / "out", pictures=pictures, name_on_sheet=False)
    assert "Ada" not in made.read_text(encoding="utf-8")
    assert "Ada" not in made.with_name("sheet.json").read_text(encoding="utf-8")


def test_words_with_markup_stay_words(findings_and_pictures, tmp_path):
    findings, pictures = findings_and_pictures
    odd = replace(findings, lesson_title="<script>alert(1)</script> & co")
    page = write_sheet(odd, tmp_path / "out", pictures=pictures).read_text(encoding="utf-8")
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_missing_picture_is_said_and_nothing_is_written(make_findings, tmp_path):
    findings, pictures = make_findings(before=3, after=3)
    gone = next(iter(pictures.iterdir()))
    gone.unlink()
    with pytest.raises(PackError, match="cannot be read") as caught:
        write_sheet(findings, tmp_path / "out", pictures=pictures)
    assert caught.value.path == gone
    assert not (tmp_path / "out").exists()


def test_stage_mean_and_interval_are_students_t():
    """Reference: scipy.stats.ttest_1samp's own confidence interval, errors being equal."""
    values = (11.0, 12.5, 10.2, 11.9)
    stage = StageValues(
        stage=Stage.BEFORE,
        swing_ids=("a", "b", "c", "d"),
        values=tuple(Measured(value=v, se=0.4, systematic=0.2) for v in values),
    )
    low, high = stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
    got = summarise_stage(stage)
    assert (got.low, got.high) == pytest.approx((low, high))


def test_swing_set_aside_is_drawn_and_left_out_of_the_mean(findings_and_pictures):
    one = findings_and_pictures[0].focus[0]
    change = replace(one.change, wild_a=(0,))
    svg = measure_chart(one.stages, change, one.unit)
    rest = [m.value for m in one.stages[0].values[1:]]
    assert "set aside" in svg
    assert min(rest) < summarise_stage(one.stages[0], wild=(0,)).mean < max(rest)
    assert summarise_stage(one.stages[0], wild=(0,)) != summarise_stage(one.stages[0])


def test_chart_draws_a_dot_for_each_swing_at_its_value(findings_and_pictures):
    one = findings_and_pictures[0].focus[0]
    svg = measure_chart(one.stages, one.change, one.unit, smallest_worth=one.smallest_worth)
    after = next(s for s in one.stages if s.stage == "after")
    dots = re.findall(
        r'aria-label="value: ([-\d.e]+); y: [\d.]+[^"]*"[^>]*transform="translate\(([-\d.]+),', svg
    )
    assert len(dots) == sum(len(s.values) for s in one.stages)
    x_of = {float(v): float(x) for v, x in dots}
    for value in (m.value for m in after.values):
        assert min(abs(value - drawn) for drawn in x_of) < 1e-9
    # A linear scale: the gap in px between any two dots is in proportion to their values.
    (v0, x0), *others = sorted(x_of.items())
    scale = (others[-1][1] - x0) / (others[-1][0] - v0)
    assert scale > 0
    for value, x in others:
        assert x - x0 == pytest.approx(scale * (value - v0), abs=0.02)


@pytest.mark.parametrize("width", [200, 225, 320, 340])
def test_a_chart_is_as_wide_as_it_was_asked_to_be(findings_and_pictures, width):
    """The renderer guesses how wide words are; charts beside each other on paper differed."""
    for one in findings_and_pictures[0].focus:
        svg = measure_chart(one.stages, one.change, one.unit, width=width)
        left, _, wide, _ = map(float, re.search(r'viewBox="([^"]+)"', svg)[1].split())
        moved = float(re.search(r'transform="translate\(([-\d.]+),', svg)[1])
        assert moved - left == pytest.approx(2, abs=1)
        assert wide == pytest.approx(width + 4, abs=3)


def test_no_line_of_the_grid_runs_through_a_stages_words(findings_and_pictures):
    one = findings_and_pictures[0].focus[0]
    svg = measure_chart(one.stages, one.change, one.unit)
    lines = re.findall(r'aria-label="tick: [^;]+; top: ([\d.]+); bottom: ([\d.]+)"', svg)
    heads = re.findall(r'aria-label="y: ([\d.]+); words: ', svg)
    assert len(heads) == 3
    assert len(lines) >= 3 * len(heads)
    for head in map(float, heads):
        assert not any(float(top) < head + 4 and head - 8 < float(bottom) for top, bottom in lines)


def test_chart_of_too_few_swings_has_no_difference(make_findings):
    findings, _ = make_findings(before=2, after=1, drill=0)
    one = findings.focus[0]
    svg = measure_chart(one.stages, one.change, one.unit)
    assert "the change" not in svg
    assert "before: 2 swings" in svg


def test_labels_never_run_into_each_other(findings_and_pictures):
    """Widths by Pillow's reading of the typeface, places by the SVG itself."""
    one = findings_and_pictures[0].focus[1]
    with speaking("de"):
        svg = measure_chart(one.stages, one.change, one.unit, width=200)
    places = re.findall(
        r'translate\(([-\d.]+),([-\d.]+)\)"[^>]*font-size="13px"[^>]*>([^<]+)<', svg
    )
    left = {words: (float(x), float(y)) for x, y, words in places}
    change, numbers = left["die Änderung"], next(v for k, v in left.items() if "(" in k)
    assert numbers[1] - change[1] >= 13


def _luminance(colour: str) -> float:
    """WCAG 2.2, 'relative luminance'."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_every_stage_keeps_its_contrast_and_its_shape():
    """WCAG 2.2, 1.4.11: graphical objects at least 3:1; 1.4.1: never by colour alone."""
    for style in STYLES.values():
        assert _contrast(style.colour, PAPER) >= 3
        assert _contrast(style.colour_dark, DARK_PAPER) >= 3
    assert len({style.shape for style in STYLES.values()}) == len(STYLES)


@pytest.mark.parametrize(
    ("package", "file"),
    [("lessonmark.pack", "templates/sheet.css"), ("lessonmark.web", "static/page.css")],
)
def test_the_style_files_name_the_stages_own_colours(package, file):
    css = resources.files(package).joinpath(file).read_text(encoding="utf-8")
    light, dark = (
        dict(re.findall(r"--([a-z]+): (#[0-9A-Fa-f]{6});", block))
        for block in re.findall(r":root \{(.*?)\}", css, flags=re.DOTALL)[:2]
    )
    assert (light["paper"], light["ink"], dark["paper"]) == (PAPER, INK, DARK_PAPER)
    for stage, style in STYLES.items():
        assert light[stage.value] == style.colour
        assert dark[stage.value] == style.colour_dark
        # The charts are drawn once, for paper: on dark their colours are changed by these rules.
        assert f'[fill="{style.colour}"] {{ fill: var(--{stage.value}); }}' in css


@pytest.mark.browser
def test_sheet_opens_from_disk_on_a_phone_without_a_request(sheet):
    from axe_playwright_python.sync_playwright import Axe
    from playwright.sync_api import sync_playwright

    with sync_playwright() as running:
        browser = running.chromium.launch(
            executable_path="/usr/bin/chromium",
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        asked: list[str] = []
        for scheme in ("light", "dark"):
            context = browser.new_context(
                viewport={"width": 390, "height": 844}, color_scheme=scheme, bypass_csp=True
            )
            page = context.new_page()
            page.on("request", lambda request: asked.append(request.url))
            page.goto(sheet.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") == 390
            assert page.evaluate("[...document.images].every(i => i.naturalWidth > 0)")
            found = Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21aa"]})
            assert json.loads(json.dumps(found.response))["violations"] == []
            context.close()
        browser.close()
    assert [url[:40] for url in asked if not url.startswith(("file:", "data:"))] == []


def test_sheet_speaks_german_throughout(make_findings, tmp_path):
    findings, pictures = make_findings(before=4, after=4)  # analysed in English
    with speaking("de"):
        page = write_sheet(findings, tmp_path / "de", pictures=pictures).read_text("utf-8")
    assert '<html lang="de">' in page
    assert "Woran du gearbeitet hast" in page
    assert "vorher: 4 Schwünge" in page
    assert "Seitneigung bei P6 hat sich so geändert" in page
    assert "14. Mai 2026" in page
    for english in ("What you worked on", "before:", "interval", "mean ", "changed"):
        assert english not in re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)
