"""The lesson sheet: one HTML file that opens from disk on a phone, and its `sheet.json`.

Nothing in the page reaches out: pictures and typeface are data URIs, charts are inline SVG, and
there is no script.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from lessonmark.evidence.scatter_wording import scatter_sentence
from lessonmark.evidence.wording import verdict_word
from lessonmark.language import say, say_n, say_number, spoken
from lessonmark.lessons.findings import (
    Findings,
    FocusFinding,
    SideEffect,
    StageValues,
    StillPicture,
    write_findings,
)
from lessonmark.measures.measured import Refused
from lessonmark.pack import wording
from lessonmark.pack.charts import measure_chart, summarise_stage
from lessonmark.pack.depths import verdict_depths
from lessonmark.pack.drawing import overlay_svg
from lessonmark.pack.leads import group_leads
from lessonmark.pack.links_words import show_links
from lessonmark.pack.pictures import data_uri
from lessonmark.pack.said_again import said_again
from lessonmark.pack.stage_style import STYLES, stage_word
from lessonmark.pack.typeface import font_face_css
from lessonmark.words import Stage, View

__all__ = ["DATA_NAME", "SHEET_NAME", "write_sheet"]

SHEET_NAME = "sheet.html"
DATA_NAME = "sheet.json"


@dataclass(frozen=True, kw_only=True)
class _Row:
    """One measure, ready for the page."""

    title: str
    where: str
    verdict: str
    verdict_class: str
    sentence: str
    difference: str
    aim: str
    chart: Markup
    before: Markup | None
    after: Markup | None
    before_caption: str
    after_caption: str
    table: tuple[tuple[str, str, str, str], ...]
    depths: tuple[str, ...]  # the verdict for the coach, and for whoever checks the tests


def write_sheet(
    findings: Findings,
    folder: Path,
    *,
    pictures: Path,
    name_on_sheet: bool = True,
    name: str = SHEET_NAME,
) -> Path:
    """Write the lesson sheet and, beside it, the findings that it was made from.

    Parameters
    ----------
    folder : where to write; made if it is not there.
    pictures : the folder that the findings' JPEGs are in.
    name_on_sheet : False leaves the player's name out of both files.
    name : the HTML's file name.

    Returns
    -------
    Path : the HTML file.

    Raises
    ------
    PackError : a picture that the findings name is not there.
    """
    if not name_on_sheet:
        findings = without_name(findings)
    page = sheet_html(findings, pictures=pictures)
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / name
    target.write_text(page, encoding="utf-8")
    write_findings(findings, folder / DATA_NAME)
    return target


def without_name(findings: Findings) -> Findings:
    """Take the player's name out of the findings."""
    return replace(findings, player=replace(findings.player, name=""))


def sheet_html(findings: Findings, *, pictures: Path) -> str:
    """Make the page as text; `write_sheet` says what may be raised."""
    findings = said_again(findings)
    template = _environment().get_template("sheet.html")
    return template.render(
        findings=findings,
        lang=spoken(),
        date=wording.day(findings.date),
        fonts=Markup(font_face_css()),
        counts=_counts(findings),
        legend=tuple(
            (STYLES[stage].glyph, stage_word(stage), stage.value) for stage in _stages(findings)
        ),
        focus=tuple(_row(one, pictures) for one in findings.focus),
        side_effects=tuple(
            (
                wording.view_word(group.view),
                tuple(_row(one, pictures) for one in group.first),
                tuple(_row(one, pictures) for one in group.rest),
            )
            for group in group_leads(findings.side_effects)
        ),
        links=show_links(findings.links),
        scatters=tuple(
            words
            for one in findings.focus
            if (words := scatter_sentence(one.scatter, one.name, one.unit))
        ),
        not_measured=_refusals(findings.not_measured),
        problems=tuple(
            (one.clip, wording.sentence(one.what), wording.sentence(one.do))
            for one in findings.problems
        ),
        clip_notes=tuple((clip.clip, note) for clip in findings.clips for note in clip.notes),
        scale_note=wording.sentence(findings.scale_note),
        # The record may not know it yet: 0 then.
        club_length=wording.stated_quantity(findings.club_length_cm, "cm")
        if findings.club_length_cm
        else "",
    )


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("lessonmark.pack", "templates"),
        autoescape=select_autoescape(default=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(say=say, say_n=say_n, say_number=say_number)
    return environment


def _stages(findings: Findings) -> tuple[Stage, ...]:
    seen = {clip.stage for clip in findings.clips}
    seen |= {values.stage for one in findings.focus for values in one.stages}
    return tuple(stage for stage in Stage if stage in seen)


def _counts(findings: Findings) -> tuple[str, ...]:
    """'before: 5 swings face-on, 5 down-the-line' for each stage."""
    lines = []
    for stage in _stages(findings):
        views = []
        for view in View:
            n = sum(
                len(clip.swings)
                for clip in findings.clips
                if clip.stage is stage and clip.view is view
            )
            if n:
                views.append(
                    say_n("{n} swing {view}", "{n} swings {view}", n, view=wording.view_word(view))
                )
        if views:
            lines.append(f"{stage_word(stage)}: {', '.join(views)}")
    return tuple(lines)


def _row(one: FocusFinding | SideEffect, pictures: Path) -> _Row:
    smallest = one.smallest_worth if isinstance(one, FocusFinding) else one.change.smallest_worth
    pair = one.pictures if isinstance(one, FocusFinding) else None
    return _Row(
        title=wording.measure_title(one.name, one.at),
        where=" · ".join(
            ([wording.position_words(one.at.position)] if one.at.position else [])
            + [wording.view_word(one.view)]
        ),
        verdict=verdict_word(one.change.verdict),
        verdict_class=wording.verdict_kind(one.change.verdict),
        sentence=one.sentence,
        difference=wording.difference_words(one.change, one.unit),
        aim=_aim(one) if isinstance(one, FocusFinding) else "",
        chart=Markup(measure_chart(one.stages, one.change, one.unit, smallest_worth=smallest)),
        before=_still(pair.before, pictures) if pair else None,
        after=_still(pair.after, pictures) if pair else None,
        before_caption=pair.before.caption if pair else "",
        after_caption=pair.after.caption if pair else "",
        table=tuple(_table_row(stage, one.unit) for stage in one.stages if stage.values),
        depths=verdict_depths(one) if isinstance(one, FocusFinding) else (),
    )


def _aim(one: FocusFinding) -> str:
    smallest = wording.stated_quantity(one.smallest_worth, one.unit)
    if one.direction == "more":
        return say("The aim was more of it, by at least {smallest}.", smallest=smallest)
    if one.direction == "less":
        return say("The aim was less of it, by at least {smallest}.", smallest=smallest)
    return say("No direction was set; {smallest} is the least that matters.", smallest=smallest)


def _table_row(stage: StageValues, unit: str) -> tuple[str, str, str, str]:
    summary = summarise_stage(stage)
    assert summary is not None
    interval = (
        "—"
        if summary.low is None or summary.high is None
        else say(
            "{low} to {high}",
            low=wording.number_with_unit(summary.low, unit),
            high=wording.number_with_unit(summary.high, unit),
        )
    )
    swings = "; ".join(wording.measured_words(m, unit) for m in stage.values)
    return stage_word(stage.stage), swings, wording.number_with_unit(summary.mean, unit), interval


def _still(picture: StillPicture, pictures: Path) -> Markup:
    return Markup(
        overlay_svg(picture, href=data_uri(pictures / picture.jpeg), words=picture.caption)
    )


def _refusals(refused: Mapping[str, Refused]) -> tuple[tuple[str, str, str], ...]:
    return tuple(
        (what, wording.sentence(one.reason), wording.sentence(one.do))
        for what, one in refused.items()
    )
