"""Measured swings of several stages in; scatter, change, verdicts and what lasted out.

`compare.compare` sets two stages of one measure against each other, `compare.adjust_focus` decides
the focus measures of a lesson together, and `wording.verdict_sentence` says the result. Beside
them: the player's scatter and its reliability, side effects, what moves with what, what lasted, and
which drill works. Nothing here reads or writes a file.
"""

__all__: list[str] = []
