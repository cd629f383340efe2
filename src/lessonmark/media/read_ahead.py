"""Decode the next frames on another thread while the last one is being worked on."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterable, Iterator

from lessonmark.media.clip import Frame

__all__ = ["read_ahead"]

_DEPTH = 4  # frames waiting at most: 100 MB at 4K


def read_ahead(frames: Iterable[Frame], *, depth: int = _DEPTH) -> Iterator[Frame]:
    """Give the same frames, decoded up to `depth` frames ahead; errors come when their turn does.

    Leaving the loop early stops the reading.
    """
    waiting: queue.Queue[Frame | BaseException | None] = queue.Queue(maxsize=depth)
    stop = threading.Event()

    def put(item: Frame | BaseException | None) -> bool:
        while not stop.is_set():
            try:
                waiting.put(item, timeout=0.1)
            except queue.Full:
                continue
            return True
        return False

    def read() -> None:
        try:
            for frame in frames:
                if not put(frame):
                    return
            put(None)
        except BaseException as err:  # handed to the reader, who raises it
            put(err)

    reader = threading.Thread(target=read, name="read-ahead", daemon=True)
    reader.start()
    try:
        while (item := waiting.get()) is not None:
            if isinstance(item, BaseException):
                raise item
            yield item
    finally:
        stop.set()
        reader.join()
