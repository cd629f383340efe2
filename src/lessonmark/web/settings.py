"""What the pages may be told from outside."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field

__all__ = ["LOOPBACK_HOSTS", "WebSettings"]

LOOPBACK_HOSTS = frozenset({"127.0.0.1", "localhost", "::1"})


@dataclass(frozen=True, kw_only=True)
class WebSettings:
    """How the pages are served."""

    hosts: frozenset[str] = LOOPBACK_HOSTS  # names that a browser may call this server by
    accounts: bool = False  # whether everybody must sign in: a server that several coaches share
    heavy: bool = False  # whether clips are measured with the larger pose network
    token: str | None = None  # needed for everything where set: shared on the local network
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))  # a run's own
    language: str | None = None  # None: the browser's wish, where there is a catalogue for it
    clip_limit_bytes: int = 4_000_000_000  # ten minutes of a phone's 4K slow motion, roughly
    form_limit_bytes: int = 1_000_000
    voice_limit_bytes: int = 30_000_000  # ten minutes of a browser's Opus are about 8 MB
