"""How many threads a clip gets: results must hang on none, and two clips must not fight.

The linear algebra runs on one thread, because its sums change with their number in the last bit.
The pose network gives the same bits with any number (tested), so it may have the cores that no
other clip uses.
"""

from __future__ import annotations

import os
from functools import cache

import cv2
from threadpoolctl import threadpool_limits

__all__ = ["core_count", "network_threads", "settle_threads"]


def core_count() -> int:
    """Count the cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def network_threads(clips_at_once: int) -> int:
    """Share the cores out among the clips that are measured at once."""
    return max(1, core_count() // max(1, clips_at_once))


@cache
def settle_threads() -> None:
    """Hold the linear algebra and OpenCV of this process to one thread, for good."""
    threadpool_limits(1)
    cv2.setNumThreads(1)
