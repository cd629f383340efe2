"""Something in every table that a player's lesson may have rows in, their name in all its words.

For the tests' players and for the benches that kill the program.
"""

from datetime import UTC, date, datetime

from lessonmark.lessons.record import (
    Attempt,
    AttemptOutcome,
    CauseStep,
    Cue,
    DrillSet,
    Focus,
    FormerFinding,
    InjuryNote,
    Lesson,
    PictureChoice,
    PlannedPractice,
    Player,
    TargetWindow,
)
from lessonmark.words import View

STARTED = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)


def fill_player(player: Player) -> None:
    """Give a player what is kept besides lessons."""
    words = f"sore lower back, {player.name} said"
    player.injuries = [InjuryNote(noted_on=date(2026, 4, 1), words=words)]
    player.targets = [TargetWindow(at="side_bend@P6", view=View.FACE_ON, low=None, high=30.0)]


def fill_lesson(lesson: Lesson, name: str) -> None:
    """Give a lesson of the player of that name its wishes, words, plan and past."""
    lesson.focus = [
        Focus(rank=1, at="side_bend@P6", view=View.FACE_ON, direction="more", smallest_worth=4.0)
    ]
    lesson.cues = [Cue(rank=1, words=f"trail shoulder stays high, {name}")]
    lesson.causes = [
        CauseStep(rank=1, words=f"early slide of {name}", at="pelvis_shift@P4", way="more"),
        CauseStep(rank=2, words="arms late", at="side_bend@P6", way="less"),
    ]
    lesson.drills = [
        DrillSet(rank=1, name="feet together", dose=f"as {name} likes", minutes=10, sets=3)
    ]
    lesson.attempts = [
        Attempt(
            at=STARTED,
            drill="towel-behind-ball",
            name=f"towel behind the ball of {name}",
            checkpoint="side_bend@P6 at least 16",
            swings=5,
            met=3,
            too_close=1,
            outcome=AttemptOutcome.TOO_CLOSE,
        )
    ]
    lesson.planned = PlannedPractice(
        starts_on=date(2026, 5, 5), next_on=date(2026, 6, 1), plan=f'{{"for": "{name}"}}'
    )
    lesson.pictures = [
        PictureChoice(at="side_bend@P6", view=View.FACE_ON, before="a#1", after="b#1")
    ]
    lesson.former = [
        FormerFinding(findings=f'{{"of": "{name}"}}', made_at=STARTED, measured_with="0.1.0 1111")
    ]
