"""Every sentence that a person reads comes through here, so that it can be said in any language.

Message catalogues are gettext `.po` files in ``locale/<language>/LC_MESSAGES/lessonmark.po``; the
message id is the English sentence itself, with `str.format` fields for what varies. Babel extracts
calls of `say` and `say_n` (see ``babel.cfg``).
"""

from __future__ import annotations

import gettext
import io
import string
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from importlib import resources

from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_decimal, get_decimal_symbol

__all__ = [
    "SOURCE_LANGUAGE",
    "languages",
    "messages",
    "say",
    "say_n",
    "say_number",
    "speaking",
    "spoken",
]

SOURCE_LANGUAGE = "en"
_spoken: ContextVar[str] = ContextVar("lessonmark_language", default=SOURCE_LANGUAGE)


def languages() -> tuple[str, ...]:
    """List the languages that have a catalogue, the source language first."""
    folder = resources.files("lessonmark") / "locale"
    entries = folder.iterdir() if folder.is_dir() else ()
    found = sorted(entry.name for entry in entries if (entry / "LC_MESSAGES").is_dir())
    return (SOURCE_LANGUAGE, *(name for name in found if name != SOURCE_LANGUAGE))


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """Say everything inside the block in `language`.

    Raises
    ------
    ValueError : there is no catalogue for it.
    """
    if language not in languages():
        raise ValueError(f"no catalogue for {language!r}; there are {', '.join(languages())}")
    token = _spoken.set(language)
    try:
        yield
    finally:
        _spoken.reset(token)


def spoken() -> str:
    """Name the language now spoken: 'en', 'de'."""
    return _spoken.get()


def messages(language: str) -> tuple[tuple[str, str], ...]:
    """List a catalogue's messages with their translations, a plural as a message of its own."""
    pairs: list[tuple[str, str]] = []
    for message in _read(language):
        if not message.id:
            continue  # the header
        if isinstance(message.id, tuple):
            pairs += zip(message.id, message.string or (), strict=False)
        else:
            pairs.append((str(message.id), str(message.string)))
    return tuple((message, said) for message, said in pairs if said)


def say(message: str, /, **values: object) -> str:
    """Say `message` in the language now spoken, its fields filled from `values`."""
    if not message:
        return ""  # a catalogue's entry for the empty text is its header
    return _FIELDS.vformat(_catalogue(_spoken.get()).gettext(message), (), values)


def say_n(one: str, many: str, n: int, /, **values: object) -> str:
    """Say `one` or `many`, whichever the language wants for `n`; `{n}` is filled in."""
    said = _catalogue(_spoken.get()).ngettext(one, many, n)
    return _FIELDS.vformat(said, (), {"n": n, **values})


def say_number(value: float, digits: int = 0) -> str:
    """Write a number with `digits` decimals and a true minus, in the way of the language."""
    pattern = "#,##0" + ("." + "0" * digits if digits else "")
    text = format_decimal(round(value, digits) + 0.0, format=pattern, locale=_spoken.get())
    return text.replace("-", "\u2212")


class _Fields(string.Formatter):
    """Fills a message's fields; a decimal gets the mark of the language."""

    def format_field(self, value: object, format_spec: str) -> str:
        text = format(value, format_spec)
        if format_spec.endswith("f"):
            return text.replace(".", get_decimal_symbol(_spoken.get()))
        return text


_FIELDS = _Fields()


@cache
def _catalogue(language: str) -> gettext.NullTranslations:
    if language == SOURCE_LANGUAGE:
        return gettext.NullTranslations()
    compiled = io.BytesIO()
    write_mo(compiled, _read(language))
    compiled.seek(0)
    return gettext.GNUTranslations(compiled)


def _read(language: str) -> Catalog:
    path = resources.files("lessonmark") / "locale" / language / "LC_MESSAGES" / "lessonmark.po"
    return read_po(io.BytesIO(path.read_bytes()), locale=language)
