"""A plan for the days until the next lesson, within the player's time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from math import ceil

from lessonmark.drills.dose import (
    SESSION_MINUTES,
    SWING_S,
    WARM_UP_MINUTES,
    Wish,
    dose_cautions,
    dose_reasons,
    stop_lines,
    warnings_for,
)
from lessonmark.drills.library import Drill, caution_sentences, cautions_of_its_own
from lessonmark.drills.safety_words import name_drills
from lessonmark.drills.wording import checkpoint_sentence, speed_word
from lessonmark.errors import RecordError
from lessonmark.language import say, say_n

__all__ = ["Block", "BlockKind", "Phase", "PracticePlan", "Session", "plan_practice"]

LAY_OFF_SESSIONS = 2
FILM_SWINGS = 5  # of the checkpoint's own count; evidence needs three at least
PLAIN_MOST = 12  # plain swings of a session; common practice, no source
SHARE = {"drill": 0.4, "ball": 0.35, "plain": 0.25}  # of the time; common practice, no source


class Phase(StrEnum):
    """Where in the plan a session stands."""

    EASY = "easy"
    SET = "as set"
    VARIED = "varied"


class BlockKind(StrEnum):
    """What a block of a session is."""

    WARM_UP = "warm-up"
    DRILL = "drill"
    BALL = "drill with ball"
    PLAIN = "plain swings"
    FILM = "film"


@dataclass(frozen=True, kw_only=True)
class Block:
    """A part of a session."""

    kind: BlockKind
    minutes: float
    swings: int  # 0 for a warm-up
    words: str  # what to do
    drill: str = ""  # id


@dataclass(frozen=True, kw_only=True)
class Session:
    """One day's practice."""

    on: date
    phase: Phase
    blocks: tuple[Block, ...]

    @property
    def minutes(self) -> int:
        """The whole session with its warm-up, rounded up."""
        return ceil(sum(block.minutes for block in self.blocks))

    @property
    def swings(self) -> int:
        """Swings of the whole session."""
        return sum(block.swings for block in self.blocks)

    @property
    def films(self) -> bool:
        """Whether this session ends in front of the camera."""
        return any(block.kind is BlockKind.FILM for block in self.blocks)


@dataclass(frozen=True, kw_only=True)
class PracticePlan:
    """Everything that the player does until the next lesson."""

    sessions: tuple[Session, ...]
    next_lesson: date
    drills: tuple[Drill, ...]
    left_out: tuple[str, ...]  # why a drill is not in it
    warnings: tuple[str, ...]
    stop_on: tuple[str, ...]
    cautions: tuple[str, ...]
    reasons: tuple[str, ...]

    @property
    def cautions_in_one_list(self) -> tuple[str, ...]:
        """The cautions, each saying which drill it means where it means one of several."""
        own = [(drill.said().name, cautions_of_its_own(drill)) for drill in self.drills]
        return name_drills(self.cautions, own)


def plan_practice(drills: Sequence[Drill], wish: Wish) -> PracticePlan:
    """Plan the practice until the next lesson.

    Parameters
    ----------
    drills : the drills that the coach set, most important first.
    wish : the player's days, time and age.

    Raises
    ------
    RecordError : no drill is left, or there is too little time for one session.
    """
    kept, left_out = _fitting(drills, wish)
    if not kept:
        raise RecordError(
            say("no drill is left for a plan") + (f": {left_out[0]}" if left_out else ""),
            do=say("choose a drill from the list"),
        )
    days, minutes = _days(wish)
    sessions = tuple(
        _session(kept, wish, on=on, number=number, of=len(days), minutes=minutes)
        for number, on in enumerate(days)
    )
    weeks = max(1.0, (wish.next_lesson - wish.start).days / 7)
    hours = sum(session.minutes for session in sessions) / 60 / weeks
    each = [line for drill in kept for line in caution_sentences(drill)]
    return PracticePlan(
        sessions=sessions,
        next_lesson=wish.next_lesson,
        drills=tuple(kept),
        left_out=tuple(left_out),
        warnings=warnings_for(wish, hours),
        stop_on=stop_lines(),
        cautions=tuple(dict.fromkeys((*dose_cautions(wish), *each))),
        reasons=dose_reasons(),
    )


def _fitting(drills: Sequence[Drill], wish: Wish) -> tuple[list[Drill], list[str]]:
    kept, left_out = [], []
    for drill in drills:
        if wish.back and "back" in drill.cautions:
            left_out.append(
                say("{name} is left out: it asks much of the back", name=drill.said().name)
            )
        elif wish.is_junior and drill.juniors.most_swings == 0:
            left_out.append(say("{name} is left out: not for juniors", name=drill.said().name))
        else:
            kept.append(drill)
    return kept, left_out


def _days(wish: Wish) -> tuple[list[date], int]:
    """Choose days, each a day apart at least and none on the lesson's, and minutes of practice."""
    least, most = SESSION_MINUTES
    week = min(wish.days_a_week, wish.minutes_a_week // (least + WARM_UP_MINUTES))
    if week == 0:
        raise RecordError(
            say(
                "{given} minutes a week are too few for one session with its warm-up",
                given=wish.minutes_a_week,
            ),
            do=say("find {least} minutes on one day", least=least + WARM_UP_MINUTES),
        )
    minutes = min(most, wish.minutes_a_week // week - WARM_UP_MINUTES)
    free = (wish.next_lesson - wish.start).days  # from the start to the day before the lesson
    count = min(free, max(1, round(free * week / 7)))
    # A week never holds more than was asked for, wherever it is cut.
    gap = max(7 / week, free / count)
    days = [wish.start + timedelta(days=int(gap * i)) for i in range(count)]
    return [day for day in days if day < wish.next_lesson], minutes


def _phase(number: int, of: int) -> Phase:
    if of == 1:
        return Phase.SET
    share = number / of
    return Phase.EASY if share < 1 / 3 else Phase.SET if share < 2 / 3 else Phase.VARIED


def _session(
    drills: list[Drill], wish: Wish, *, on: date, number: int, of: int, minutes: int
) -> Session:
    phase = _phase(number, of)
    # The first drill comes every time, the others by turns.
    others = drills[1:]
    drill = drills[0] if number % 2 == 0 or not others else others[number // 2 % len(others)]
    films = number in (0, of // 2, of - 1)
    film = Block(
        kind=BlockKind.FILM,
        minutes=3.0,
        swings=FILM_SWINGS,
        words=say(
            "Film {n} plain swings from the drill's side, as in the lesson: whole body, club and "
            "ball in the picture.",
            n=FILM_SWINGS,
        ),
    )
    time = minutes - (film.minutes if films else 0.0)
    limit = drill.juniors.most_swings if wish.is_junior else 10_000
    fewer = 0.5 if wish.lay_off and number < LAY_OFF_SESSIONS else 1.0
    blocks = [
        Block(
            kind=BlockKind.WARM_UP,
            minutes=float(WARM_UP_MINUTES),
            swings=0,
            words=say("Walk, turn, swing the arms, then ten slow swings that grow longer."),
        ),
        _drill_block(drill, phase, SHARE["drill"] * time, limit, fewer, ball=False),
    ]
    limit -= blocks[-1].swings
    if "no_ball" not in drill.cautions and limit > 0:
        blocks.append(_drill_block(drill, phase, SHARE["ball"] * time, limit, fewer, ball=True))
    left = max(0.0, time - sum(block.minutes for block in blocks[1:]))
    plain = min(PLAIN_MOST, int(left * 60 / SWING_S["full"]), 6 if wish.is_junior else PLAIN_MOST)
    plain = max(1, int(plain * fewer))
    blocks.append(
        Block(
            kind=BlockKind.PLAIN,
            minutes=plain * SWING_S["full"] / 60,
            swings=plain,
            words=say("Plain swings, one thought: {cue}", cue=drill.said().cue)
            if phase is not Phase.VARIED
            else say("Plain swings, another club and another target each time."),
        )
    )
    if films:
        blocks.append(film)
    return Session(on=on, phase=phase, blocks=tuple(blocks))


def _drill_block(
    drill: Drill, phase: Phase, minutes: float, limit: int, fewer: float, *, ball: bool
) -> Block:
    dose, words = drill.dose, drill.said()
    set_s = dose.swings * SWING_S[dose.speed]
    sets = max(1, min(dose.sets, int((60 * minutes + dose.rest_s) / (set_s + dose.rest_s))))
    swings = max(1, int(min(sets * dose.swings, limit) * fewer))
    sets = min(sets, ceil(swings / dose.swings))
    how = {
        Phase.EASY: words.easier,
        Phase.SET: words.cue,
        Phase.VARIED: words.harder,
    }[phase]
    return Block(
        kind=BlockKind.BALL if ball else BlockKind.DRILL,
        minutes=(swings * SWING_S[dose.speed] + (sets - 1) * dose.rest_s) / 60,
        swings=swings,
        drill=drill.id,
        words=say_n(
            "{name}: {swings} swings in {n} set, {speed}, {rest} s rest. {how} Done when: "
            "{checkpoint}.",
            "{name}: {swings} swings in {n} sets, {speed}, {rest} s rest. {how} Done when: "
            "{checkpoint}.",
            sets,
            name=words.name,
            swings=swings,
            speed=speed_word(dose),
            rest=dose.rest_s,
            how=how,
            checkpoint=checkpoint_sentence(drill.checkpoint),
        ),
    )
