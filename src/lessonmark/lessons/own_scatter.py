"""A player's own swing-to-swing scatter, learnt from the record's earlier lessons."""

from __future__ import annotations

from sqlalchemy.orm import object_session

from lessonmark.evidence.scatter import Scatter, learn_scatter, population_prior
from lessonmark.lessons.player_course import lesson_sets
from lessonmark.lessons.record import Lesson
from lessonmark.measures.measured import MeasureAt
from lessonmark.measures.measuring import unit_of
from lessonmark.measures.registry import entry
from lessonmark.words import Stage, View

__all__ = ["own_scatters"]


def own_scatters(lesson: Lesson) -> dict[tuple[MeasureAt, View], Scatter]:
    """Learn the scatter of a lesson's focus measures from what was filmed before that lesson.

    The unit's prior is where the learning begins. A drill's swings are left out: they are held in
    their way. Lengths count only in the unit of the lesson's own.

    Returns
    -------
    dict : empty of a measure that no earlier stage of two swings shows.
    """
    session = object_session(lesson)
    if session is None:
        return {}
    found = {}
    for focus in lesson.focus:
        at = MeasureAt.parse(focus.at)
        every = lesson_sets(session, lesson.player_id, at, focus.view)
        scaled = next((one.scaled for one in every if one.lesson_id == lesson.id), None)
        stages = [
            swings
            for one in every
            if one.when < lesson.started_at and one.scaled == scaled
            for stage, swings in one.stages.items()
            if stage is not Stage.DRILL and len(swings) >= 2
        ]
        prior = population_prior(unit_of(entry(at.measure), scaled=bool(scaled)))
        learnt = learn_scatter(stages, prior=prior) if stages else None
        if learnt is not None:
            found[at, focus.view] = learnt
    return found
