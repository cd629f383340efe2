"""A short message to paste into a mail or a chat."""

from __future__ import annotations

from lessonmark.language import say
from lessonmark.lessons.findings import Findings
from lessonmark.pack import wording
from lessonmark.pack.coach_words import CoachWords
from lessonmark.pack.said_again import said_again

__all__ = ["draft_message"]


def draft_message(
    findings: Findings,
    words: CoachWords | None = None,
    *,
    name_in_message: bool = True,
    has_video: bool = True,
) -> str:
    """Draft the message: what is enclosed, the verdicts in a player's words, the plan, a caution.

    Parameters
    ----------
    name_in_message : greet the player by name.
    has_video : name the review video among what is enclosed.
    """
    findings = said_again(findings)
    words = words or CoachWords()
    name = findings.player.name if name_in_message else ""
    enclosed = (
        say("Enclosed: the review video, the lesson sheet, one page to print and a card.")
        if has_video
        else say("Enclosed: the lesson sheet, one page to print and a card.")
    )
    parts = [
        say("Hello {name},", name=name) if name else say("Hello,"),
        say("here is what came out of our lesson on {day}, “{title}”.",
            day=wording.day(findings.date), title=findings.lesson_title),
        "\n".join(f"• {one.sentence}" for one in findings.focus),
    ]  # fmt: skip
    plan = [line.drill + (f": {line.dose}" if line.dose else "") for line in words.plan]
    plan += words.cues
    plan += [words.next_step] if words.next_step else []
    if plan:
        lines = (f"• {wording.capital(line)}" for line in plan)
        parts.append("\n".join((say("Until next time:"), *lines)))
    parts.append(say("Stop if anything hurts, and keep the space around you clear."))
    parts.append(enclosed)
    if words.coach:
        parts.append(words.coach)
    return "\n\n".join(part for part in parts if part) + "\n"
