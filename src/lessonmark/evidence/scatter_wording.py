"""Say whose swing-to-swing scatter a judgement stands on."""

from __future__ import annotations

from lessonmark.evidence.scatter import PRIOR_DF, Scatter, ScatterSource
from lessonmark.evidence.wording import decimals_for, quantity
from lessonmark.language import say, say_number

__all__ = ["scatter_sentence"]


def scatter_sentence(scatter: Scatter | None, name: str, unit: str) -> str:
    """Say what scatter the smallest change that could be seen was reckoned with.

    Parameters
    ----------
    scatter : as known before the lesson; None for a unit without a prior.
    """
    if scatter is None:
        return ""
    title = name[:1].upper() + name[1:]
    sd = quantity(scatter.sd, unit, decimals_for(scatter.sd / 4))
    if scatter.source is ScatterSource.POPULATION:
        return say(
            "{name}: what could be seen at all was reckoned with the usual scatter of such a "
            "measure, {sd} from swing to swing (common practice, no source), steadied by this "
            "lesson's swings; no earlier lesson shows the player's own.",
            name=title,
            sd=sd,
        )
    own = 1.0 if scatter.source is ScatterSource.PLAYER else 1.0 - PRIOR_DF / scatter.df
    return say(
        "{name}: what could be seen at all was reckoned with the player's own scatter from earlier "
        "lessons, {sd} from swing to swing; {share} % of it is their own, the rest what is usual.",
        name=title,
        sd=sd,
        share=say_number(100 * own),
    )
