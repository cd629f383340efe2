"""The closed sets of words that every package shares (DESIGN.md, sections 2 and 4)."""

from __future__ import annotations

from enum import StrEnum

__all__ = ["Handedness", "Position", "Stage", "View"]


class View(StrEnum):
    """Where the camera stands."""

    FACE_ON = "face-on"
    DOWN_THE_LINE = "down-the-line"


class Handedness(StrEnum):
    """Which way round the player plays; a right-hander's lead side is the left."""

    RIGHT = "right"
    LEFT = "left"

    @property
    def lead(self) -> str:
        """The body side nearer the target: 'left' or 'right'."""
        return "left" if self is Handedness.RIGHT else "right"

    @property
    def trail(self) -> str:
        """The body side farther from the target: 'left' or 'right'."""
        return "right" if self is Handedness.RIGHT else "left"


class Stage(StrEnum):
    """What a swing stands for in a lesson or between lessons."""

    BEFORE = "before"
    DRILL = "drill"
    AFTER = "after"
    PRACTICE = "practice"
    RETEST = "retest"


class Position(StrEnum):
    """The ten stops of a swing; common practice in the trade."""

    P1 = "P1"
    P2 = "P2"
    P3 = "P3"
    P4 = "P4"
    P5 = "P5"
    P6 = "P6"
    P7 = "P7"
    P8 = "P8"
    P9 = "P9"
    P10 = "P10"

    @property
    def number(self) -> int:
        """1 to 10."""
        return int(self.value[1:])

    @property
    def plain(self) -> str:
        """The position in a player's words."""
        return _PLAIN[self]


_PLAIN = {
    Position.P1: "address",
    Position.P2: "shaft parallel to the ground, going back",
    Position.P3: "lead arm parallel to the ground, going back",
    Position.P4: "top",
    Position.P5: "lead arm parallel to the ground, coming down",
    Position.P6: "shaft parallel to the ground, coming down",
    Position.P7: "impact",
    Position.P8: "shaft parallel to the ground, after impact",
    Position.P9: "trail arm parallel to the ground, after impact",
    Position.P10: "finish",
}
