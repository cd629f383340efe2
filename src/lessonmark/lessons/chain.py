"""The chain of causes that the coach has in mind, held against this player's swings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lessonmark.evidence.coupling import coupled_pairs
from lessonmark.evidence.link_wording import chain_sentences
from lessonmark.evidence.links import ChainStep, SwingValues, check_chain
from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.lessons.judging import measure_title
from lessonmark.lessons.lesson_file import ChainEntry
from lessonmark.measures.measured import MeasureAt, Measured
from lessonmark.measures.registry import entry as catalogue_entry
from lessonmark.words import View

__all__ = ["check_coachs_chain", "values_by_swing"]


def check_coachs_chain(
    chain: Sequence[ChainEntry], clips: Sequence[ClipFinding], same_swing: Mapping[str, str]
) -> tuple[str, ...]:
    """Say link by link what the swings of all stages support, contradict or cannot speak to.

    Parameters
    ----------
    chain : the steps, each leading to the one after it; fewer than two say nothing.
    same_swing : by clip, the word that lesson.toml gives both views of a swing.
    """
    if len(chain) < 2:
        return ()
    swings = values_by_swing(clips, same_swing)
    keys = [step.measure for step in chain]
    links = check_chain(
        swings,
        [ChainStep(key=step.measure, sign=-1 if step.way == "less" else 1) for step in chain],
        coupled=coupled_pairs(keys),
    )
    sentences = chain_sentences(links, {step.measure: step.step for step in chain})
    for key in keys:
        # Reasons name the measure, and a player does not read keys.
        at = MeasureAt.parse(key)
        title = measure_title(catalogue_entry(at.measure), at)
        sentences = tuple(sentence.replace(key, title) for sentence in sentences)
    return sentences


def values_by_swing(
    clips: Sequence[ClipFinding], same_swing: Mapping[str, str]
) -> tuple[SwingValues, ...]:
    """Give each swing's values, both views joined where the lesson says that they are one swing.

    A swing that was filmed down-the-line alone stands for itself, in a stage of its own: two
    cameras' values are never centred together.
    """
    paired = {
        word for clip in clips if clip.view is View.FACE_ON and (word := same_swing.get(clip.clip))
    }
    return tuple(
        SwingValues(
            stage=f"{swing.stage} {clip.view}",
            values=_both_views(swing, clips, same_swing)
            if clip.view is View.FACE_ON
            else swing.values,
        )
        for clip in clips
        for swing in clip.swings
        if clip.view is View.FACE_ON or same_swing.get(clip.clip) not in paired
    )


def _both_views(
    front: SwingFinding, clips: Sequence[ClipFinding], same_swing: Mapping[str, str]
) -> dict[str, Measured]:
    """Join a swing's values from both views; face-on counts where both have one."""
    word = same_swing.get(front.clip)
    side = [
        swing
        for clip in clips
        if clip.view is View.DOWN_THE_LINE and word and same_swing.get(clip.clip) == word
        for swing in clip.swings
        if swing.number == front.number
    ]
    joined: dict[str, Measured] = {}
    for swing in (*side, front):
        joined.update(swing.values)
    return joined
