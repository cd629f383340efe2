"""What must be known of a clip before it can be measured."""

from __future__ import annotations

from dataclasses import dataclass

from lessonmark.lessons.lesson_file import ClipEntry, LessonFile
from lessonmark.measures.stick import Stick
from lessonmark.words import Handedness, Stage, View

__all__ = ["ClipSettings", "clip_settings"]


@dataclass(frozen=True, kw_only=True)
class ClipSettings:
    """The facts that a clip's result depends on, besides its own bytes."""

    clip: str  # path relative to the lesson's folder
    view: View
    stage: Stage
    handedness: Handedness  # the player's own
    mirrored: bool  # the picture swaps left and right
    fps_declared: float | None
    stature_cm: float | None  # None: not known, lengths come in % of the torso
    club_length_cm: float
    air_temperature_c: float
    heavy: bool
    stick: Stick | None = None  # on the target line, its ends clicked, px; None: none was
    stick_cm: float | None = None  # from end to end; None: not known

    @property
    def seen_handedness(self) -> Handedness:
        """Which way round the player seems to play in the picture."""
        if not self.mirrored:
            return self.handedness
        return Handedness.LEFT if self.handedness is Handedness.RIGHT else Handedness.RIGHT


def clip_settings(lesson: LessonFile, entry: ClipEntry, *, heavy: bool) -> ClipSettings:
    """Gather a clip's facts from its lesson.toml."""
    stick, stick_cm = _stick(lesson, entry)
    return ClipSettings(
        clip=entry.file,
        view=entry.view,
        stage=entry.stage,
        handedness=lesson.player.handedness,
        mirrored=entry.mirrored,
        fps_declared=entry.fps_filmed,
        stature_cm=lesson.player.stature_cm,
        club_length_cm=lesson.club.length_cm,
        air_temperature_c=lesson.lesson.air_temperature_c,
        heavy=heavy,
        stick=stick,
        stick_cm=stick_cm,
    )


def _stick(lesson: LessonFile, entry: ClipEntry) -> tuple[Stick | None, float | None]:
    """Give the clip's own stick and its length, or another's of its camera set-up."""
    same = [c for c in lesson.clip if (c.view, c.stage) == (entry.view, entry.stage)]
    laid = next((clip for clip in (entry, *same) if clip.stick is not None), None)
    return (None, None) if laid is None else (laid.stick, laid.stick_cm)
