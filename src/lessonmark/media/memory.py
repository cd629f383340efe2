"""Keep the memory of the last picture for the next one."""

from __future__ import annotations

import ctypes
import sys
from functools import cache

__all__ = ["keep_freed_pictures"]

# glibc's names (malloc.h) and their values here, bytes. By default it hands a freed picture back
# to the system and fetches fresh, zeroed pages for the next: 1.0 of 1.4 ms of a 720p conversion.
SETTINGS = {
    -3: 32 << 20,  # M_MMAP_THRESHOLD: a 4K RGB picture is 25 MB
    -1: 96 << 20,  # M_TRIM_THRESHOLD: freed memory kept, at most
    -2: 16 << 20,  # M_TOP_PAD
}


@cache  # once in a process is enough
def keep_freed_pictures() -> bool:
    """Ask the C library to reuse pictures' memory; False where it cannot be asked."""
    if sys.platform != "linux":
        return False
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)  # musl has none
    if mallopt is None:
        return False
    return all(mallopt(name, value) == 1 for name, value in SETTINGS.items())
