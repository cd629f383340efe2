"""How soon the network must look again: as often as the fastest limb needs it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from lessonmark.tracks.schema import BODY_KEYPOINTS

__all__ = ["Pace"]

_HOP_TORSOS = 0.05  # a limb may move so far between two looks; the smoother bridges that easily
# s; a hand that starts from rest at 75 torso lengths a second squared, a hard downswing, moves less
# than one hop in this time (s^2 = 2 x 0.05 / 75).
_LONGEST_S = 1 / 30
_LIMBS = [
    BODY_KEYPOINTS.index(f"{side}_{joint}")
    for side in ("left", "right")
    for joint in ("wrist", "elbow", "knee", "ankle", "shoulder", "hip")
]
_SHOULDERS = [BODY_KEYPOINTS.index(f"{side}_shoulder") for side in ("left", "right")]
_HIPS = [BODY_KEYPOINTS.index(f"{side}_hip") for side in ("left", "right")]


class Pace:
    """Remembers the last looks and says when the next one is due."""

    def __init__(self) -> None:
        self._last: tuple[float, npt.NDArray[np.float64]] | None = None
        self._due_s = -np.inf

    def is_due(self, s: float) -> bool:
        """Tell whether the frame at `s` is to be looked at."""
        return s >= self._due_s

    def looked(self, s: float, position: npt.NDArray[np.float64]) -> None:
        """Note a look at `s`; `position` is (33, 2) px."""
        if self._last is None:
            self._due_s = s
        else:
            torso = max(
                float(np.linalg.norm(position[_SHOULDERS].mean(0) - position[_HIPS].mean(0))), 1.0
            )
            moved = np.linalg.norm(position[_LIMBS] - self._last[1][_LIMBS], axis=1).max()
            speed = float(moved) / torso / max(s - self._last[0], 1e-6)
            wait = min(_HOP_TORSOS / max(speed, 1e-6), _LONGEST_S)
            # Frames come at fixed times: half a millisecond of rounding must not cost a frame.
            self._due_s = s + wait - 5e-4
        self._last = (s, position.copy())
