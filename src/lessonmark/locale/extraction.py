"""Find every message in the source, for Babel and for the test that a catalogue is complete.

Three places hold messages: calls of `say` and `say_n`, templates, and the catalogues of measures
and drills, whose entries are message ids said later. `babel.cfg` names `extract_python` for the
last; the page's script has its words in the templates.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any

from babel.messages.extract import extract_from_dir

__all__ = ["KEYWORDS", "extract_messages", "extract_python"]

KEYWORDS: dict[str, tuple[int, ...] | None] = {"say": None, "say_n": (1, 2)}
_ENTRIES = {"measure", "span"}  # decorators whose texts are message ids
_TEXTS = {"name", "reads", "sign", "definition"}

Message = tuple[int, str, str | tuple[str, str], list[str]]


def extract_python(
    source: IO[bytes],
    keywords: Mapping[str, object],
    comment_tags: object,
    options: Mapping[str, str],
) -> Iterator[Message]:
    """Extract from a Python file, as Babel calls it.

    Unlike Babel's own method this one joins adjacent literals, reads the texts of catalogue
    entries, and lets nothing pass that is no literal.
    """
    tree = ast.parse(source.read())
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = _called(node.func)
        if name == "say" and node.args:
            text = _literal(node.args[0])
            if text is not None:
                yield node.lineno, "say", text, []
        elif name == "say_n" and len(node.args) >= 2:
            one, many = (_literal(arg) for arg in node.args[:2])
            if one is not None and many is not None:
                yield node.lineno, "say_n", (one, many), []
        elif name in _ENTRIES:
            for keyword in node.keywords:
                text = _literal(keyword.value)
                if keyword.arg in _TEXTS and text:
                    yield node.lineno, "say", text, []


def _called(node: ast.expr) -> str:
    if isinstance(node, ast.Name):
        return node.id
    return node.attr if isinstance(node, ast.Attribute) else ""


def _literal(node: ast.expr) -> str | None:
    value = node.value if isinstance(node, ast.Constant) else None
    return value if isinstance(value, str) else None


def extract_messages(package: Path) -> dict[str, str | None]:
    """Find all messages below the package's folder.

    Returns
    -------
    dict : message id to its plural id, None where it has none.
    """
    found: dict[str, str | None] = {}
    methods: list[tuple[str, Any]] = [
        ("**/templates/**.html", "jinja2"),
        ("**.py", "lessonmark.locale.extraction:extract_python"),
    ]
    for _, _, message, _, _ in extract_from_dir(
        package, method_map=methods, keywords=KEYWORDS, comment_tags=()
    ):
        if isinstance(message, tuple):
            found[str(message[0])] = str(message[1])
        else:
            found.setdefault(str(message), None)
    return found
