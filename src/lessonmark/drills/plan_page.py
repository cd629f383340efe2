"""The plan as one HTML page that needs nothing else: drills with drawings, then day by day."""

from __future__ import annotations

from datetime import date
from html import escape

from babel.dates import format_date

from lessonmark.drills.drawing import drill_drawing
from lessonmark.drills.library import Drill, cautions_of_its_own
from lessonmark.drills.plan import BlockKind, Phase, PracticePlan, Session
from lessonmark.drills.wording import checkpoint_sentence, dose_sentence
from lessonmark.language import say, say_n, spoken
from lessonmark.words import Handedness

__all__ = ["plan_page"]

_STYLE = """
body{font:17px/1.5 Georgia,serif;color:#1d1d1b;background:#fff;max-width:46rem;margin:2rem auto;
padding:0 1rem}h1{font-size:1.6rem}h2{font-size:1.2rem;border-top:1px solid #8a8a86;
padding-top:.8rem;margin-top:2rem}figure{margin:0;max-width:20rem}li{margin:.2rem 0}
section.drill{display:grid;grid-template-columns:minmax(0,3fr) minmax(0,2fr);gap:1rem}
table{border-collapse:collapse;width:100%}td,th{text-align:left;vertical-align:top;
padding:.35rem .5rem .35rem 0;border-bottom:1px solid #d9d9d6}td:first-child{white-space:nowrap}
.cautions{border:2px solid #1d1d1b;padding:.4rem 1rem}
@media(max-width:36rem){section.drill{display:block}}
@media print{body{margin:0}section,tr{break-inside:avoid}}
"""


def plan_page(plan: PracticePlan, *, handedness: Handedness = Handedness.RIGHT) -> str:
    """Write a plan as a stand-alone HTML page; no name is on it."""
    title = say("Practice until {day}", day=_day(plan.next_lesson))
    parts = [f"<h1>{escape(title)}</h1>"]
    if plan.warnings or plan.left_out:
        parts.append(_list((*plan.warnings, *plan.left_out)))
    beside = {line for drill in plan.drills for line in cautions_of_its_own(drill)}
    for_all = tuple(line for line in plan.cautions if line not in beside)
    stop = f"<h3>{escape(say('What to stop on'))}</h3>{_list(plan.stop_on)}"
    parts.append(f'<div class="cautions">{_list(for_all)}{stop}</div>')
    parts += [_drill(drill, handedness) for drill in plan.drills]
    parts.append(f"<h2>{escape(say('Day by day'))}</h2>")
    parts += [_session(session) for session in plan.sessions]
    parts.append(f"<h2>{escape(say('What this plan rests on'))}</h2>{_list(plan.reasons)}")
    return (
        f'<!doctype html><html lang="{spoken()}"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width"><title>{escape(title)}</title>'
        f"<style>{_STYLE}</style></head><body><main>{''.join(parts)}</main></body></html>\n"
    )


def _drill(drill: Drill, handedness: Handedness) -> str:
    words = drill.said()
    rows = (
        (say("Cue"), words.cue),
        (say("Dose"), dose_sentence(drill.dose)),
        (say("Easier"), words.easier),
        (say("Harder"), words.harder),
        (say("Done when"), checkpoint_sentence(drill.checkpoint)),
    )
    table = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(value)}</td></tr>'
        for name, value in rows
    )
    source = escape(say(drill.source)) if "{" not in drill.source else escape(drill.source)
    return (
        f"<h2>{escape(words.name)}</h2><section class='drill'><div>{_list(words.set_up)}"
        f"<table>{table}</table></div><figure>{drill_drawing(drill, handedness=handedness)}"
        f"<figcaption>{source}</figcaption></figure></section>{_list(cautions_of_its_own(drill))}"
    )


def _session(session: Session) -> str:
    phase = {
        Phase.EASY: say("easy"),
        Phase.SET: say("as set"),
        Phase.VARIED: say("varied"),
    }[session.phase]
    kinds = {
        BlockKind.WARM_UP: say("warm-up"),
        BlockKind.DRILL: say("drill"),
        BlockKind.BALL: say("drill with ball"),
        BlockKind.PLAIN: say("plain swings"),
        BlockKind.FILM: say("film"),
    }
    rows = "".join(
        f"<tr><td>{escape(kinds[block.kind])}</td><td>{escape(block.words)}</td>"
        f"<td>{block.swings or ''}</td></tr>"
        for block in session.blocks
    )
    head = say_n(
        "{day}: {phase}, {n} minute",
        "{day}: {phase}, {n} minutes",
        session.minutes,
        day=_day(session.on),
        phase=phase,
    )
    return (
        f"<h3>{escape(head)}</h3><table><tr><th>{escape(say('block'))}</th>"
        f"<th>{escape(say('what to do'))}</th><th>{escape(say('swings'))}</th></tr>{rows}</table>"
    )


def _list(lines: tuple[str, ...]) -> str:
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f"<ul>{items}</ul>" if items else ""


def _day(day: date) -> str:
    return str(format_date(day, format="full", locale=spoken()))
