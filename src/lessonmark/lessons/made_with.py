"""What a number was made with: program, code, pose network, libraries and settings.

The same clip with the same of these gives the same bytes; a number that was made with others may
differ. What is kept here is values only; `versions.py` finds them out.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass

__all__ = ["MadeWith"]

SHORT = 12  # hexadecimal digits: 48 bits, no two of a program's few hundred versions meet


@dataclass(frozen=True, kw_only=True)
class MadeWith:
    """Versions and settings behind a clip's numbers."""

    software: str  # '0.1.0'
    code: str  # SHA-256 over the source that the numbers depend on
    networks: Mapping[str, str]  # file of the pose network -> SHA-256 of what was loaded
    libraries: Mapping[str, str]  # distribution -> version
    settings: Mapping[str, str | float | bool | None]  # as `ClipSettings`, without the clip's name

    @property
    def version(self) -> str:
        """The versions in short, without the settings: '0.1.0 3f2a9c1b70de'."""
        facts = asdict(self) | {"settings": None}
        text = json.dumps(facts, sort_keys=True)
        return f"{self.software} {hashlib.sha256(text.encode()).hexdigest()[:SHORT]}"
