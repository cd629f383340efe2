"""Turn values into pages."""

from __future__ import annotations

from datetime import date, datetime
from functools import cache
from typing import Any

from babel import Locale
from babel.dates import format_date, format_time
from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from lessonmark import __version__
from lessonmark.language import say, say_n, say_number, spoken
from lessonmark.pack import wording
from lessonmark.pack.stage_style import STYLES, stage_word
from lessonmark.web.security import csrf_token
from lessonmark.words import Stage, View

__all__ = ["page"]


def page(request: Request, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """Render a template for this request."""
    text = (
        _environment()
        .get_template(template)
        .render(
            csrf=csrf_token(request),
            lang=spoken(),
            version=__version__,
            account=getattr(request.state, "account", None),
            shared=request.state.settings.accounts,
            **values,
        )
    )
    return HTMLResponse(text, status_code=status)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("lessonmark.web", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(
        say=say,
        say_n=say_n,
        say_number=say_number,
        stage_word=stage_word,
        view_word=wording.view_word,
        language_name=language_name,
        stages=tuple(Stage),
        views=tuple(View),
        styles=STYLES,
    )
    environment.filters.update(day=day, clock=clock, short_day=short_day)
    return environment


def day(moment: date | datetime | None) -> str:
    """Write a date in full, in this machine's time zone; nothing for none."""
    return "" if moment is None else format_date(_local(moment), format="long", locale=spoken())


def short_day(moment: date | datetime | None) -> str:
    """Write a date short, in this machine's time zone; nothing for none."""
    return "" if moment is None else format_date(_local(moment), format="medium", locale=spoken())


def clock(moment: datetime | None) -> str:
    """Write the time of day in this machine's time zone; nothing for none."""
    if moment is None:
        return ""
    return format_time(moment.astimezone(), format="short", locale=spoken())


def language_name(code: str) -> str:
    """Name a language in itself, so that who speaks it finds it."""
    return Locale.parse(code).get_display_name(code) or code


def _local(moment: date | datetime) -> date:
    return moment.astimezone().date() if isinstance(moment, datetime) else moment
