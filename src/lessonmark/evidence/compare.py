"""Compare two stages of a lesson and give the verdict.

The interval and `p` are Welch's on the stages' means of `stage_mean`, with the camera's part added
where the camera moved. The verdicts are stricter: 'changed' and 'not changed' are each held to 5 %
a *lesson*. `adjust_focus` applies Holm's step-down to both kinds of test over the focus measures,
on p values whose degrees of freedom are guarded: Welch's test is too bold where the smaller stage
scatters most (3 swings against 10: a false 'changed' in 10 of 100 lessons), see `guarded_df`.
`bench/evidence.py` shows by simulation that the verdicts keep to their 5 %.

References
----------
Welch 1947, Biometrika 34:28-35; Satterthwaite 1946, Biometrics Bull 2:110-114 (degrees of freedom).
Schuirmann 1987, J Pharmacokinet Biopharm 15:657-680 (two one-sided tests).
Holm 1979, Scand J Statist 6:65-70. Weir 2005, J Strength Cond Res 19:231-240 (detectable change).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from scipy import special

from lessonmark.evidence.change import Change, Verdict
from lessonmark.evidence.degrees import guarded_df, welch_df
from lessonmark.evidence.more_swings import Plan, more_swings
from lessonmark.evidence.scatter import Scatter, pooled_scatter
from lessonmark.evidence.stage_mean import StageMean, stage_mean
from lessonmark.evidence.wild import find_wild
from lessonmark.measures.measured import Measured

__all__ = ["FEWEST_SWINGS", "LEVEL", "adjust_focus", "compare", "guarded_p", "holm"]

FEWEST_SWINGS = 3  # in a stage (DESIGN.md, section 8)
LEVEL = 0.05  # of false verdicts a lesson, for each of the two kinds
NORMAL_975 = 1.959963984540054  # two-sided 95 % point of the normal distribution

POSTURE_SHARE = 0.15
"""Share of the systematic error that does not cancel while the camera stands still: where the
network puts a joint depends a little on the posture, and the posture is what a lesson changes. Seen
on rendered swings (bench/README.md, "Accuracy on the demo"), where measures that truly did not
change moved by about this share; no real player's value is known."""


def compare(
    a: Sequence[Measured],
    b: Sequence[Measured],
    *,
    smallest_worth: float,
    direction: str,
    camera_moved: bool,
    scatter: Scatter | None = None,
    keep_wild: bool = False,
) -> Change:
    """Compare stage B with stage A for one measure at one position.

    Parameters
    ----------
    a, b : one value a swing, in the measure's unit.
    smallest_worth : the smallest change worth having, same unit; 0 where there is none, and then
        the verdict is never 'not changed'.
    direction : 'more' or 'less' where the coach set one, else ''.
    camera_moved : whether the camera's set-up differs between the stages, so that the systematic
        part does not cancel.
    scatter : what is known of this player's scatter from elsewhere; steadies the detectable
        change and the planning, never the interval.
    keep_wild : count a wild swing like any other (the coach put it back).

    Returns
    -------
    Change : with the verdict as if this were the only focus measure; `adjust_focus` re-decides.

    Raises
    ------
    ValueError : a negative or infinite `smallest_worth`, or an unknown direction.
    """
    if not (math.isfinite(smallest_worth) and smallest_worth >= 0):
        raise ValueError(f"the smallest change worth having is 0 or more, got {smallest_worth}")
    if direction not in ("more", "less", ""):
        raise ValueError(f"a direction is 'more', 'less' or '', got {direction!r}")
    if min(len(a), len(b)) < FEWEST_SWINGS:
        return Change(
            verdict=Verdict.TOO_FEW,
            count_a=len(a),
            count_b=len(b),
            smallest_worth=smallest_worth,
            direction=direction,
        )
    used_a, wild_a = (tuple(a), ()) if keep_wild else _set_aside(a)
    used_b, wild_b = (tuple(b), ()) if keep_wild else _set_aside(b)
    first, second = stage_mean(used_a), stage_mean(used_b)
    camera = math.hypot(first.camera, second.camera) if camera_moved else 0.0
    apart = camera or POSTURE_SHARE * math.sqrt((first.camera**2 + second.camera**2) / 2)
    difference = second.mean - first.mean
    error, df, guarded = _spread(first, second, apart)
    half = float(special.stdtrit(df, 1.0 - LEVEL / 2)) * error
    change = Change(
        verdict=Verdict.NOT_SETTLED,
        count_a=first.count,
        count_b=second.count,
        difference=difference,
        low=difference - half,
        high=difference + half,
        p=2.0 * float(special.stdtr(df, -abs(difference) / error)),
        scatter_a=first.scatter,
        scatter_b=second.scatter,
        detectable=_detectable(first, second, apart, scatter),
        smallest_worth=smallest_worth,
        mean_a=first.mean,
        mean_b=second.mean,
        direction=direction,
        standard_error=error,
        df=df,
        df_guarded=guarded,
        p_not_changed=_two_one_sided(difference, error, df, smallest_worth),
        camera_part=camera,
        wild_a=wild_a,
        wild_b=wild_b,
    )
    return adjust_focus([change])[0]


def adjust_focus(changes: Sequence[Change]) -> tuple[Change, ...]:
    """Decide the verdicts of all focus measures of a lesson together.

    Holm's step-down is applied over the measures that could be compared, once to the tests
    against no difference and once to the tests of 'not changed', so that a lesson's chance of a
    single false 'changed' stays below 5 %, and that of a false 'not changed' too.
    """
    compared = [change for change in changes if change.p is not None]
    against = iter(holm([guarded_p(change) for change in compared]))
    inside = [_guarded_p_not_changed(change) for change in compared]
    known = iter(holm([p for p in inside if p is not None]))
    unchanged = iter([None if p is None else next(known) for p in inside])
    decided = []
    for change in changes:
        if change.p is None:
            decided.append(replace(change, focus_count=len(changes)))
            continue
        decided.append(
            _decide(
                replace(
                    change,
                    p_adjusted=next(against),
                    p_not_changed_adjusted=next(unchanged),
                    focus_count=len(compared),
                )
            )
        )
    return tuple(decided)


def _decide(change: Change) -> Change:
    """Apply the four verdicts of DESIGN.md 8 to a comparison whose p values are adjusted."""
    assert change.difference is not None  # for the types: only compared changes come here
    assert change.detectable is not None
    assert change.p_adjusted is not None
    clear = change.p_adjusted <= LEVEL and abs(change.difference) > change.detectable
    if clear:
        wanted = {"more": change.difference > 0, "less": change.difference < 0}
        return replace(
            change,
            verdict=Verdict.CHANGED,
            as_wanted=wanted.get(change.direction),
            more_swings=None,
            more_after=None,
        )
    inside = change.p_not_changed_adjusted is not None and change.p_not_changed_adjusted <= LEVEL
    if inside:
        return replace(
            change, verdict=Verdict.NOT_CHANGED, as_wanted=None, more_swings=None, more_after=None
        )
    return replace(
        change,
        verdict=Verdict.NOT_SETTLED,
        as_wanted=None,
        more_swings=_more(change, both=True),
        more_after=_more(change, both=False),
    )


def _more(change: Change, *, both: bool) -> int | None:
    assert change.difference is not None
    assert change.scatter_a is not None
    assert change.scatter_b is not None
    plan = Plan(
        difference=change.difference,
        scatter_a=change.scatter_a,
        scatter_b=change.scatter_b,
        camera=change.camera_part or 0.0,
        level=LEVEL / change.focus_count,  # Holm's first and strictest step
        guarded=True,
    )
    margin = change.smallest_worth or 0.0
    return more_swings(plan, change.count_a, change.count_b, margin=margin, both=both)


def _set_aside(swings: Sequence[Measured]) -> tuple[tuple[Measured, ...], tuple[int, ...]]:
    at = find_wild(swings)
    if at is None:
        return tuple(swings), ()
    return tuple(swing for i, swing in enumerate(swings) if i != at), (at,)


def holm(p_values: Sequence[float]) -> list[float]:
    """Adjust p values by Holm's step-down, in the order given.

    References
    ----------
    Holm 1979, Scand J Statist 6:65-70. The library's own (statsmodels) collects garbage at every
    call, 40 ms a measure; the tests hold this one to it.
    """
    adjusted = [0.0] * len(p_values)
    highest = 0.0
    for rank, at in enumerate(sorted(range(len(p_values)), key=p_values.__getitem__)):
        highest = max(highest, min(1.0, (len(p_values) - rank) * p_values[at]))
        adjusted[at] = highest
    return adjusted


def _spread(first: StageMean, second: StageMean, apart: float) -> tuple[float, float, float]:
    """Give the difference's standard error, its Welch df, and the guarded df."""
    part_a, part_b = first.standard_error**2, second.standard_error**2
    swings = part_a + part_b
    df = welch_df(part_a, part_b, first.df, second.df)
    # What sets the stages apart is known, not estimated: it adds variance and costs no df.
    variance = swings + apart**2
    known = variance / swings
    guarded = guarded_df(df, min(first.df, second.df), known=known)
    return math.sqrt(variance), df * known**2, guarded


def guarded_p(change: Change) -> float:
    """Give the two-sided p value that decides, before any adjustment for several measures."""
    assert change.difference is not None  # for the types: only compared changes come here
    assert change.standard_error is not None
    assert change.df_guarded is not None
    away = abs(change.difference) / change.standard_error
    return 2.0 * float(special.stdtr(change.df_guarded, -away))


def _guarded_p_not_changed(change: Change) -> float | None:
    assert change.difference is not None
    assert change.standard_error is not None
    assert change.df_guarded is not None
    return _two_one_sided(
        change.difference, change.standard_error, change.df_guarded, change.smallest_worth or 0.0
    )


def _two_one_sided(difference: float, error: float, df: float, margin: float) -> float | None:
    if margin == 0:
        return None
    return float(special.stdtr(df, -(margin - abs(difference)) / error))


def _detectable(
    first: StageMean, second: StageMean, apart: float, scatter: Scatter | None
) -> float:
    here = pooled_scatter((first, second))
    sem = (here if scatter is None else scatter.updated(here)).sd
    # Weir 2005: MD = 1.96 SEM sqrt(2) for single trials; for means of n, SEM sqrt(1/n_a + 1/n_b).
    return NORMAL_975 * math.sqrt(sem**2 * (1.0 / first.count + 1.0 / second.count) + apart**2)
