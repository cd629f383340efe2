"""What is known of the camera that filmed a clip."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CameraCheck"]


@dataclass(frozen=True, kw_only=True)
class CameraCheck:
    """Where the camera stood, as far as the clip shows it; a None was not found out."""

    roll_deg: float  # + a plumb line's top leans to the image's right
    roll_se_deg: float  # > 0
    roll_from: str  # 'vertical edges', 'assumed', ... in plain words
    yaw_deg: float | None  # off square to the target line, signed as `ground.off_square`
    yaw_se_deg: float  # > 0; of yaw_deg, or of an unchecked camera where that is None
    distance_cm: float | None  # camera to golfer
    height_cm: float | None  # above the ground
    moved_px: float | None  # largest movement of the background within the clip
    pitch_deg: float | None = None  # + the camera looks up
    pitch_se_deg: float = 5.0  # > 0; of pitch_deg, or of an unchecked camera where that is None
    # Where the background lay at some times against the first of them: s, px right, px down.
    # Empty: it stood still, or nothing still was seen.
    movement: tuple[tuple[float, float, float], ...] = ()
    yaw_from: str = (
        "feet"  # 'feet', 'feet and ball', 'ball'; 'stick' is sure enough to be taken out
    )
    blur_cm: float | None = None  # the clubhead's smear at impact
    lines: tuple[str, ...] = ()  # five lines in words: what is right, what it costs, what to do
    ok: bool = True  # nothing that would refuse a measure

    @property
    def yaw_known(self) -> bool:
        """Whether the yaw is known well enough to be taken out of the measures."""
        return self.yaw_deg is not None and self.yaw_from == "stick"

    def __post_init__(self) -> None:
        if not (self.roll_se_deg > 0 and self.yaw_se_deg > 0 and self.pitch_se_deg > 0):
            raise ValueError(f"a camera check's errors are above 0, got {self}")
