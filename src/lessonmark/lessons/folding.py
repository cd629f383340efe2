"""Words as the search compares them."""

from __future__ import annotations

import unicodedata

__all__ = ["fold"]


def fold(*words: str) -> str:
    """Fold words for searching: no case, no accents, single spaces."""
    text = unicodedata.normalize("NFKD", " ".join(words)).casefold()
    return " ".join("".join(c for c in text if not unicodedata.combining(c)).split())
