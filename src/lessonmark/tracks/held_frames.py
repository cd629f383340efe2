"""Frames that pass by while the club is followed and are wanted again for the ball."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from lessonmark.media.clip import Frame

__all__ = ["HeldFrames"]

# Whole grey frames: 1.2 s at 120 frames a second of 1280 x 720, or of 1080 x 1920 at 60.
HELD_BYTES = 160e6
# The ball is looked for in the frames so long before and after impact (`ball`), and impact is
# known to some hundredths of a second before the club is.
BEFORE_S, AFTER_S = 0.52, 0.68


class HeldFrames:
    """A source of grey frames that decodes those around impact once.

    Parameters
    ----------
    source : gives the grey frames between two times, s.
    impacts_s : about when each swing meets the ball; what is around the last one read is held.
    """

    def __init__(
        self, source: Callable[[float, float], Iterable[Frame]], impacts_s: Iterable[float]
    ) -> None:
        self._source = source
        self._stretches = [(hit - BEFORE_S, hit + AFTER_S) for hit in impacts_s]
        self._held: list[Frame] = []
        self._whole = (0.0, -1.0)  # from when to when no frame is missing, s

    def between(self, start_s: float, stop_s: float) -> Iterator[Frame]:
        """Give the frames from `start_s` to `stop_s`, both kept."""
        first, last = self._whole
        if first <= start_s and stop_s <= last:
            yield from (frame for frame in self._held if start_s <= frame.s <= stop_s)
            return
        inside = [hold for hold in self._stretches if start_s < hold[1] and hold[0] < stop_s]
        hold = inside[-1] if inside else None
        held: list[Frame] = []
        room = HELD_BYTES
        for frame in self._source(start_s, stop_s):
            if hold is not None and hold[0] <= frame.s <= hold[1] and room > 0:
                held.append(frame)
                room -= frame.image.nbytes
            yield frame
        if hold is not None and room > 0 and len(held) > 0:
            self._held = held
            self._whole = max(start_s, hold[0]), min(stop_s, hold[1])
