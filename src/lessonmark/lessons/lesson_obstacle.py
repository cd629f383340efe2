"""An obstacle planned from a lesson's measured face-on swings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from lessonmark.drills.obstacle import Shape
from lessonmark.drills.obstacle_path import ClubPath, club_path
from lessonmark.drills.obstacle_picture import obstacle_picture
from lessonmark.drills.obstacle_plan import USUAL_CM, ObstaclePlan, plan_obstacle
from lessonmark.errors import CannotMeasure
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding, Findings
from lessonmark.lessons.swing_source import SwingSource, rebuilt_swing
from lessonmark.words import Stage, View

__all__ = ["LessonObstacle", "lesson_obstacle"]


@dataclass(frozen=True, kw_only=True)
class LessonObstacle:
    """A planned obstacle, its picture, and the swings that could not be used."""

    plan: ObstaclePlan
    picture: str  # SVG
    left_out: tuple[str, ...]  # 'swing: why', in plain words


def lesson_obstacle(
    findings: Findings,
    *,
    folder: Path,
    derived: Derived,
    height_cm: float,
    usual_cm: float = USUAL_CM,
    shape: Shape = Shape.ROUND,
) -> LessonObstacle:
    """Plan an obstacle that the lesson's swings before touch and those after clear.

    Raises
    ------
    RecordError : not one swing before could be used, or the height cannot be.
    """
    left_out: list[str] = []
    present, wanted = (
        _paths(findings, stage, folder=folder, derived=derived, left_out=left_out)
        for stage in (Stage.BEFORE, Stage.AFTER)
    )
    plan = plan_obstacle(present, wanted, height_cm=height_cm, shape=shape, usual_cm=usual_cm)
    picture = obstacle_picture(plan, present, wanted, handedness=findings.player.handedness)
    return LessonObstacle(plan=plan, picture=picture, left_out=tuple(left_out))


def _paths(
    findings: Findings, stage: Stage, *, folder: Path, derived: Derived, left_out: list[str]
) -> list[ClubPath]:
    clips: Sequence[ClipFinding] = [
        clip for clip in findings.clips if clip.stage is stage and clip.view is View.FACE_ON
    ]
    paths = []
    for clip in clips:
        track = derived.track(clip.track)
        if track is None:
            continue
        for swing in clip.swings:
            source = SwingSource(folder=folder, clip=clip, swing=swing, track=track)
            try:
                paths.append(
                    club_path(
                        rebuilt_swing(source),
                        swing_id=swing.swing_id,
                        club_length_cm=findings.club_length_cm,
                    )
                )
            except CannotMeasure as why:
                left_out.append(f"{swing.swing_id}: {why.what}")
    return paths
