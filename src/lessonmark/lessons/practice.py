"""The player's own clips between lessons against a drill's checkpoint: three lines, one picture."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np

from lessonmark.drills.attempts import Attempt, add_attempt, read_attempts, streak, streak_sentence
from lessonmark.drills.checkpoint import CheckpointResult, Met, judge_checkpoint
from lessonmark.drills.library import Drill
from lessonmark.drills.wording import checkpoint_sentence, measure_title
from lessonmark.errors import CannotMeasure, LessonmarkError, WeightsMissing
from lessonmark.evidence.wording import decimals_for, quantity
from lessonmark.language import say, say_n
from lessonmark.lessons.attempts import keep_result
from lessonmark.lessons.clip_analysis import analyse_clip
from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.lessons.judging import stage_values
from lessonmark.lessons.lesson_file import LessonFile
from lessonmark.lessons.listing import load_lesson
from lessonmark.lessons.pictures import still_picture
from lessonmark.lessons.store import open_record
from lessonmark.lessons.swing_source import find_source
from lessonmark.measures.measured import Measured
from lessonmark.measures.measuring import unit_of
from lessonmark.measures.registry import entry
from lessonmark.tracks.body import BodyTracker
from lessonmark.words import Position, Stage

__all__ = ["LOG", "PracticeFeedback", "check_practice", "keep_in_record", "watch_folder"]

LOG = "practice-log.jsonl"
VIDEOS = frozenset({".mp4", ".mov", ".m4v", ".mkv", ".avi", ".webm"})
_PICTURE_OF_SPAN = Position.P7  # a measure over the swing is shown at impact
_POLL_S = 2.0


@dataclass(frozen=True, kw_only=True)
class PracticeFeedback:
    """What the player is told about a practice."""

    lines: tuple[str, str, str]
    result: CheckpointResult | None  # None: nothing could be measured; `lines` say how to film
    picture: Path | None  # None where there is nothing to show
    streak: int  # met checkpoints in a row

    @property
    def film_again(self) -> bool:
        """Whether better footage is what is asked for."""
        return self.result is None


def check_practice(
    files: Sequence[Path],
    drill: Drill,
    lesson: LessonFile,
    *,
    out: Path,
    lesson_clips: Sequence[ClipFinding] = (),
    tracker: Callable[[], BodyTracker] = BodyTracker,
    at: datetime,
    log: bool = True,
) -> PracticeFeedback:
    """Check practice clips against a drill's checkpoint and the player's own before and after.

    Parameters
    ----------
    files : the clips, filmed from the checkpoint's side; they are only read.
    lesson : says who plays and with what club.
    out : where derived files, the picture and the log go.
    lesson_clips : the lesson's measured clips, for before and after.
    at : the moment of the attempt, with a time zone.
    log : add the attempt to the log; nothing is added where nothing could be measured.

    Raises
    ------
    WeightsMissing : the pose network's weights are not in the cache.
    """
    derived = Derived(out / "derived")
    found: list[ClipFinding] = []
    problems: list[LessonmarkError] = []
    for file in files:
        settings = _settings(file, drill, lesson)
        try:
            found.append(analyse_clip(file, settings, derived=derived, tracker=tracker))
        except WeightsMissing:
            raise
        except LessonmarkError as err:
            problems.append(err)
    swings = [swing for clip in found for swing in clip.swings]
    key = str(drill.checkpoint.at)
    having = [swing for swing in swings if key in swing.values]
    before, after = (_of_lesson(drill, stage, lesson_clips) for stage in Stage if stage in _HELD)
    attempts = out / LOG
    if not having:
        return _film_like_this(drill, swings, problems, streak(read_attempts(attempts), drill.id))
    values = [swing.values[key] for swing in having]
    try:
        _refuse_unscaled(drill, [*found, *lesson_clips])
        result = judge_checkpoint(drill.checkpoint, values, before)
    except CannotMeasure as why:
        problems.append(why)
        return _film_like_this(drill, [], problems, streak(read_attempts(attempts), drill.id))
    if log and result.outcome is not Met.TOO_FEW:
        add_attempt(
            attempts,
            Attempt(
                at=at,
                drill=drill.id,
                checkpoint=f"{key} {drill.checkpoint.comparison} {drill.checkpoint.value:g}",
                met=result.met,
                swings=len(result.swings),
                is_met=result.outcome is Met.MET,
            ),
        )
    count = streak(read_attempts(attempts), drill.id)
    unit = unit_of(entry(drill.checkpoint.at.measure), scaled=found[0].scale is not None)
    return PracticeFeedback(
        lines=_lines(drill, result, before, after, unit, count),
        result=result,
        picture=_picture(drill, having[-1], found, {f.name: f for f in files}, derived, out),
        streak=count,
    )


_HELD = (Stage.BEFORE, Stage.AFTER)


def keep_in_record(
    record_folder: Path | None,
    lesson_id: int,
    drill: Drill,
    told: PracticeFeedback,
    *,
    at: datetime,
) -> bool:
    """Keep the attempt with a lesson of the record too, in place of an earlier one there.

    Parameters
    ----------
    record_folder : None for the user's own.

    Returns
    -------
    Whether there was anything to keep: not where nothing could be judged.

    Raises
    ------
    RecordError : the record cannot be opened, or has no such lesson.
    """
    if told.result is None or told.result.outcome is Met.TOO_FEW:
        return False
    record = open_record(record_folder)
    try:
        with record.writing() as session:
            keep_result(load_lesson(session, lesson_id), drill, told.result, at=at)
    finally:
        record.close()
    return True


def watch_folder(
    folder: Path,
    *,
    known: frozenset[str] = frozenset(),
    stop: Callable[[], bool] = lambda: False,
    sleep: Callable[[float], None] = time.sleep,
) -> Iterator[Path]:
    """Give each video that comes into a folder, once it has stopped growing.

    Parameters
    ----------
    known : names to pass over.
    stop : asked at every look whether to end.
    """
    given, sizes = set(known), dict[str, int]()
    while not stop():
        for file in sorted(folder.iterdir()):
            if file.suffix.lower() not in VIDEOS or file.name in given or not file.is_file():
                continue
            size = file.stat().st_size
            if size > 0 and sizes.get(file.name) == size:
                given.add(file.name)
                yield file
            sizes[file.name] = size
        sleep(_POLL_S)


def _settings(file: Path, drill: Drill, lesson: LessonFile) -> ClipSettings:
    return ClipSettings(
        clip=file.name,
        view=drill.checkpoint.view,
        stage=Stage.PRACTICE,
        handedness=lesson.player.handedness,
        mirrored=False,
        fps_declared=None,
        stature_cm=lesson.player.stature_cm,
        club_length_cm=lesson.club.length_cm,
        air_temperature_c=lesson.lesson.air_temperature_c,
        heavy=False,
    )


def _refuse_unscaled(drill: Drill, clips: Sequence[ClipFinding]) -> None:
    """Refuse to hold a length in hundredths of the torso against one in centimetres."""
    if entry(drill.checkpoint.at.measure).unit != "cm":
        return
    view = drill.checkpoint.view
    if any(clip.scale is None for clip in clips if clip.view is view):
        raise CannotMeasure(
            say("there is no scale in centimetres"),
            do=say("film the whole player at address"),
        )


def _of_lesson(drill: Drill, stage: Stage, clips: Sequence[ClipFinding]) -> tuple[Measured, ...]:
    for row in stage_values(drill.checkpoint.at, drill.checkpoint.view, clips):
        if row.stage is stage:
            return row.values
    return ()


def _film_like_this(
    drill: Drill, swings: Sequence[SwingFinding], problems: Sequence[LessonmarkError], count: int
) -> PracticeFeedback:
    key = str(drill.checkpoint.at)
    refused = [swing.refused[key] for swing in swings if key in swing.refused]
    what = refused[0].reason if refused else problems[0].what if problems else say("no swing")
    do = refused[0].do if refused else problems[0].do if problems else ""
    side = say("face-on") if drill.checkpoint.view == "face-on" else say("down-the-line")
    return PracticeFeedback(
        lines=(
            say("This could not be measured: {what}.", what=what),
            say("Film it like this: {do}.", do=do)
            if do
            else say("Film it like this: the whole swing, from address to finish."),
            say(
                "Put the phone on a stand {side}, 4 to 5 m away at the height of the hands, 120 "
                "frames a second or more, the whole club and the ball in the picture.",
                side=side,
            ),
        ),
        result=None,
        picture=None,
        streak=count,
    )


def _lines(
    drill: Drill,
    result: CheckpointResult,
    before: Sequence[Measured],
    after: Sequence[Measured],
    unit: str,
    count: int,
) -> tuple[str, str, str]:
    first = say_n(
        "{met} of {n} swing met it: {checkpoint}.",
        "{met} of {n} swings met it: {checkpoint}.",
        len(result.swings),
        met=result.met,
        checkpoint=checkpoint_sentence(drill.checkpoint),
    )
    if result.too_close:
        first += " " + say_n(
            "For {n} the footage does not tell for sure.",
            "For {n} the footage does not tell for sure.",
            result.too_close,
        )
    errors = [swing.value.total_se for swing in result.swings]
    decimals = decimals_for(max(errors))
    parts = [
        say(
            "{name} now: {value}",
            name=measure_title(drill.checkpoint)[:1].upper() + measure_title(drill.checkpoint)[1:],
            value=quantity(result.mean, unit, decimals),
        )
    ]
    for label, stage in ((say("before the lesson"), before), (say("after it"), after)):
        if stage:
            mean = sum(one.value for one in stage) / len(stage)
            parts.append(f"{label} {quantity(mean, unit, decimals)}")
    words = drill.said()
    match result.outcome:
        case Met.MET if result.surely < drill.checkpoint.met:
            then = say(
                "By the best reading it is met, but too close to be sure: stay with it. {cue}",
                cue=words.cue,
            )
        case Met.MET:
            then = say("Checkpoint met. {streak} Next: {harder}", streak=streak_sentence(count),
                       harder=words.harder)  # fmt: skip
        case Met.NOT_YET:
            then = say(
                "Not yet. {cue} If it stays away: {easier}", cue=words.cue, easier=words.easier
            )
        case Met.TOO_FEW:
            then = say_n(
                "Too few to say: film {n} more swing.",
                "Too few to say: film {n} more swings.",
                max(1, drill.checkpoint.of - len(result.swings)),
            )
    return first, "; ".join(parts) + ".", " ".join(then.split())


def _picture(
    drill: Drill,
    swing: SwingFinding,
    clips: Sequence[ClipFinding],
    files: dict[str, Path],
    derived: Derived,
    out: Path,
) -> Path | None:
    """Cut the last swing's still and draw the measured lines on it."""
    at = drill.checkpoint.at
    position = at.position or _PICTURE_OF_SPAN
    folder = files[swing.clip].parent
    source = find_source(swing.swing_id, clips, folder=folder, derived=derived)
    if source is None or position not in swing.positions:
        return None
    try:
        still = still_picture(
            source, at, position, pictures=out / "pictures", caption=measure_title(drill.checkpoint)
        )
    except LessonmarkError:
        return None
    path = out / "pictures" / still.jpeg
    image = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    if image is None:
        return None
    for line in still.lines:
        points = np.round(np.array(line.points)).astype(np.int32).reshape(-1, 1, 2)
        weight = 3 if line.role == "measured" else 1
        cv2.polylines(image, [points], False, (250, 250, 250), weight + 4, cv2.LINE_AA)
        cv2.polylines(image, [points], False, (30, 30, 30), weight, cv2.LINE_AA)
    drawn = out / "practice.jpg"
    good, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 85])
    if not good:
        return None
    drawn.write_bytes(data.tobytes())
    return drawn
