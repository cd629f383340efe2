"""What the review video shows, scene by scene: nothing here decodes or draws.

Order: title card; the whole swing; recorded takes that are about no one focus measure; for each
focus measure its recorded takes, or a slow passage into the position, a hold with the measured
lines and the numbers, the way on, and the chart with the verdict; last the plan and the cautions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from lessonmark.language import say, say_number
from lessonmark.lessons.findings import Findings, FocusFinding, StillPicture, SwingFinding
from lessonmark.measures.measured import Measured
from lessonmark.pack import wording
from lessonmark.pack.take import Take
from lessonmark.words import Position, Stage

__all__ = ["PaneClip", "Scene", "Side", "TakeSource", "plan_scenes"]

SLOW = 0.25  # of life, on the way into a position
HALF = 0.5
LEAD_IN_S = 0.9  # real seconds before the position: for P6 that is from before the top
WAY_ON_S = 0.3
TITLE_S = 3.5
CLOSING_S = 6.0
_LETTERS_A_SECOND = 15.0  # slower than subtitles may be read (17 is common practice, no source)


@dataclass(frozen=True, kw_only=True)
class Side:
    """One half of the picture pair."""

    still: StillPicture
    swing: SwingFinding | None  # None: the findings no longer hold it
    measured: Measured | None
    fps_filmed: float

    @property
    def moves(self) -> bool:
        """Whether its clip can be played, cut as the still was."""
        return (
            self.swing is not None
            and self.still.crop is not None
            and self.still.position in self.swing.positions
        )

    @property
    def position_s(self) -> float:
        """When the swing is at the still's position, s on the clip's clock."""
        assert self.swing is not None
        return self.swing.positions[self.still.position].time.s


@dataclass(frozen=True, kw_only=True)
class PaneClip:
    """A swing's clip, for a passage that shows it."""

    path: Path
    fps_declared: float | None  # where the container lies
    stage: Stage
    crop: tuple[float, float, float, float] | None = None  # where the take itself does not say


@dataclass(frozen=True, kw_only=True)
class TakeSource:
    """A recorded passage, the folder that its sound is in, and the clips that it shows."""

    take: Take
    folder: Path
    panes: tuple[PaneClip, ...] = ()  # as `take.swings`; (): the focus measure's picture pair


@dataclass(frozen=True, kw_only=True)
class Scene:
    """One stretch of the video with one background and one caption."""

    kind: str  # 'title', 'whole', 'passage', 'hold', 'chart', 'take', 'closing'
    duration_s: float
    caption: str
    chapter: str = ""  # begins a chapter of that name
    focus: int | None = None
    sides: tuple[Side, ...] = ()  # before, after
    from_s: float = 0.0  # a passage's start, real seconds from `around`
    speed: float = 0.0
    around: Position | None = None  # both swings are laid on this moment
    take: TakeSource | None = None
    figures: tuple[str, ...] = field(default=())  # under the pictures


def plan_scenes(findings: Findings, takes: Sequence[TakeSource] = ()) -> tuple[Scene, ...]:
    """Lay the video out.

    Parameters
    ----------
    takes : in the order in which they are to be heard; a focus measure that has some is shown
        by them alone.

    Raises
    ------
    ValueError : a take speaks of a focus measure that is not there.
    """
    for source in takes:
        if source.take.focus is not None and not 0 <= source.take.focus < len(findings.focus):
            raise ValueError(f"no focus measure number {source.take.focus}")
    scenes = [
        Scene(
            kind="title",
            duration_s=TITLE_S,
            caption=findings.lesson_title,
            chapter=say("The lesson"),
        )
    ]
    scenes += _whole_swing(findings)
    free = [_take_scene(None, None, one, ()) for one in takes if one.take.focus is None]
    scenes += [_in_chapter(free[0], say("In the coach's words")), *free[1:]] if free else []
    for number, one in enumerate(findings.focus):
        spoken = [source for source in takes if source.take.focus == number]
        sides = _sides(findings, one)
        made = (
            [_take_scene(number, one, source, sides) for source in spoken]
            if spoken
            else _told(number, one, sides)
        )
        first, *rest = [*made, _chart(number, one)]
        title = wording.capital(wording.measure_title(one.name, one.at))
        scenes += [_in_chapter(first, title), *rest]
    scenes.append(
        Scene(
            kind="closing",
            duration_s=CLOSING_S,
            caption=say("What next: the plan, and the cautions that go with it."),
            chapter=say("What next"),
        )
    )
    return tuple(scenes)


def _in_chapter(scene: Scene, chapter: str) -> Scene:
    return replace(scene, chapter=chapter)


def _sides(findings: Findings, one: FocusFinding) -> tuple[Side, ...]:
    if one.pictures is None:
        return ()
    swings = {swing.swing_id: (swing, clip) for clip in findings.clips for swing in clip.swings}
    values = {
        swing_id: measured
        for stage in one.stages
        for swing_id, measured in zip(stage.swing_ids, stage.values, strict=True)
    }
    sides = []
    for still in (one.pictures.before, one.pictures.after):
        swing, clip = swings.get(still.swing_id, (None, None))
        sides.append(
            Side(
                still=still,
                swing=swing,
                measured=values.get(still.swing_id),
                fps_filmed=clip.fps_filmed if clip else 0.0,
            )
        )
    return tuple(sides)


def _whole_swing(findings: Findings) -> list[Scene]:
    """Play the first pair that can move, from address to finish, laid on impact."""
    for number, one in enumerate(findings.focus):
        sides = _sides(findings, one)
        if not sides or not all(side.moves for side in sides):
            continue
        swings = [side.swing for side in sides if side.swing is not None]
        if not all(Position.P7 in swing.positions for swing in swings):
            continue
        impacts = [swing.positions[Position.P7].time.s for swing in swings]
        start = min(s.span_s[0] - at for s, at in zip(swings, impacts, strict=True))
        stop = max(s.span_s[1] - at for s, at in zip(swings, impacts, strict=True))
        return [
            Scene(
                kind="whole",
                duration_s=(stop - start) / HALF,
                caption=say("Before on the left, after on the right, at half speed."),
                chapter=say("The whole swing"),
                focus=number,
                sides=sides,
                from_s=start,
                speed=HALF,
                around=Position.P7,
            )
        ]
    return []


def _told(number: int, one: FocusFinding, sides: tuple[Side, ...]) -> list[Scene]:
    if not sides:
        return []
    position = sides[0].still.position
    at = say(
        "{position}, {words}",
        position=position.value,
        words=wording.position_words(position),
    )
    figures = figure_lines(one, sides)
    held = say("{at}: before {a}, after {b}.", at=at, a=figures[0], b=figures[1])
    hold = Scene(
        kind="hold",
        duration_s=_reading_s(held),
        caption=held,
        focus=number,
        sides=sides,
        figures=figures,
    )
    if not all(side.moves for side in sides):
        return [hold]
    speed = say_number(SLOW * 100)
    passage = Scene(
        kind="passage",
        duration_s=LEAD_IN_S / SLOW,
        caption=say("Into {at}, at {speed} % of the speed.", at=at, speed=speed),
        focus=number,
        sides=sides,
        from_s=-LEAD_IN_S,
        speed=SLOW,
        around=position,
    )
    on = Scene(
        kind="passage",
        duration_s=WAY_ON_S / SLOW,
        caption=held,
        focus=number,
        sides=sides,
        from_s=0.0,
        speed=SLOW,
        around=position,
        figures=figures,
    )
    return [passage, hold, on]


def _take_scene(
    number: int | None, one: FocusFinding | None, source: TakeSource, sides: tuple[Side, ...]
) -> Scene:
    own = bool(source.panes)  # then the pictures carry their own numbers
    return Scene(
        kind="take",
        duration_s=source.take.duration_s,
        caption=source.take.caption or (one.sentence if one else ""),
        focus=number,
        sides=() if own else sides,
        take=source,
        figures=figure_lines(one, sides) if one and sides and not own else (),
    )


def _chart(number: int, one: FocusFinding) -> Scene:
    return Scene(
        kind="chart", duration_s=_reading_s(one.sentence), caption=one.sentence, focus=number
    )


def figure_lines(one: FocusFinding, sides: tuple[Side, ...]) -> tuple[str, ...]:
    """Write each side's own number with its 95 % error, or a dash."""
    return tuple(
        wording.measured_words(side.measured, one.unit) if side.measured else "—" for side in sides
    )


def _reading_s(words: str) -> float:
    return max(4.0, 1.5 + len(words) / _LETTERS_A_SECOND)
