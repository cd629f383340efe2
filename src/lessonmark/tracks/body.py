"""Follow the golfer through a clip: the network's landmarks, frame by frame.

The detector finds the people in the first frame that has any; the golfer is followed with a crop
that moves with them. Others in the picture are looked at now and then, and when one of them turns
out to be the one who swings, the clip is tracked again following that person.

The network looks as often as the body's speed asks for (`Pace`): every frame of the downswing, and
far fewer while the player stands over the ball. The frames between are left to the smoother.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from lessonmark.errors import UnusableClip
from lessonmark.language import say
from lessonmark.media.clip import Frame
from lessonmark.tracks.detector import Person, PersonDetector, Region
from lessonmark.tracks.landmarks import LandmarkNetwork, Landmarks
from lessonmark.tracks.pace import Pace
from lessonmark.tracks.schema import BODY_KEYPOINTS

__all__ = ["BodyTrackRaw", "BodyTracker", "Look"]

_SETTLE = 2  # looks at the first frame, until the crop has settled on the body
_PRESENCE_MIN = 0.5  # below this the crop holds nobody, and the detector looks again
_DETECT_EVERY = 5  # frames between two runs of the detector while nobody is in sight
_REGION_GAIN = 0.1  # share of the way that the crop moves to the newest region: a calm crop
_REGION_JUMP = 0.25  # of the crop's side: beyond this the body really moved, follow at once
_LOST_WITHIN = 0.6  # of the crop's side: somebody farther away is somebody else
_OTHERS_EVERY_S = 0.1  # between two looks at the others in the picture
_OTHERS_MAX = 3
_LEFT_WRIST = BODY_KEYPOINTS.index("left_wrist")
_RIGHT_WRIST = BODY_KEYPOINTS.index("right_wrist")
_SHOULDERS = [BODY_KEYPOINTS.index(f"{side}_shoulder") for side in ("left", "right")]
_HIPS = [BODY_KEYPOINTS.index(f"{side}_hip") for side in ("left", "right")]


@dataclass(frozen=True, kw_only=True)
class Look:
    """What the network saw in one frame."""

    index: int
    s: float
    landmarks: Landmarks


@dataclass(kw_only=True)
class BodyTrackRaw:
    """The golfer through a clip, before smoothing."""

    times: list[float] = field(default_factory=list)  # s, of every frame
    looks: list[Look] = field(default_factory=list)  # of the frames that the network saw
    people: int = 0  # in the frame where the golfer was found
    frames_without_golfer: int = 0


@dataclass(kw_only=True)
class _Other:
    region: Region
    looks: list[Look] = field(default_factory=list)


class BodyTracker:
    """The pose network with its detector, ready for any number of clips.

    Parameters
    ----------
    heavy : use the larger landmark network: slower, steadier on hidden limbs.
    threads : CPU threads for the network.

    Raises
    ------
    WeightsMissing : the weights are not in the cache.
    """

    def __init__(self, *, heavy: bool = False, threads: int = 1) -> None:
        self._detector = PersonDetector(threads=threads)
        self._network = LandmarkNetwork(heavy=heavy, threads=threads)

    def track(
        self,
        frames: Callable[[], Iterable[Frame]],
        *,
        on_frame: Callable[[Frame], None] = lambda frame: None,
    ) -> BodyTrackRaw:
        """Follow the golfer.

        Parameters
        ----------
        frames : opens the clip anew and gives its frames; called again only where somebody other
            than the first choice turns out to be the golfer.
        on_frame : told of every frame of the first pass, for progress and for others who need it.

        Raises
        ------
        UnusableClip : nobody is in the picture.
        """
        raw, others = self._follow(frames(), start=None, on_frame=on_frame)
        if not raw.looks:
            raise UnusableClip(
                say("nobody is to be seen in this clip"),
                do=say("film the whole player, head to feet and club, in daylight"),
            )
        swinger = max(others, key=lambda other: _hand_travel(other.looks), default=None)
        if swinger and _hand_travel(swinger.looks) > 2 * _hand_travel(_thinned(raw.looks)):
            first = swinger.looks[0]
            again, _ = self._follow(frames(), start=first, on_frame=lambda frame: None)
            again.people = raw.people
            return again
        return raw

    def _follow(
        self, frames: Iterable[Frame], *, start: Look | None, on_frame: Callable[[Frame], None]
    ) -> tuple[BodyTrackRaw, list[_Other]]:
        raw = BodyTrackRaw()
        others: list[_Other] = []
        region: Region | None = None
        pace = Pace()
        for frame in frames:
            on_frame(frame)
            raw.times.append(frame.s)
            if region is None:
                region, others = self._find(frame, raw, others, start)
                if region is None:
                    raw.frames_without_golfer += 1
                    continue
                pace = Pace()
            if others and frame.s - others[0].looks[-1].s >= _OTHERS_EVERY_S:
                self._look_at(others, frame, len(raw.times) - 1)
            if not pace.is_due(frame.s):
                continue
            seen = self._network.locate(frame.image, region)
            if seen.presence < _PRESENCE_MIN:
                region = None
                raw.frames_without_golfer += 1
                continue
            raw.looks.append(Look(index=len(raw.times) - 1, s=frame.s, landmarks=seen))
            pace.looked(frame.s, seen.position)
            region = _calm(region, seen.region)
        return raw, others

    def _find(
        self, frame: Frame, raw: BodyTrackRaw, others: list[_Other], start: Look | None
    ) -> tuple[Region | None, list[_Other]]:
        position = len(raw.times) - 1
        if start is not None and not raw.looks and position == start.index:
            return start.landmarks.region, []
        if start is not None and not raw.looks:
            return None, []
        if raw.frames_without_golfer % _DETECT_EVERY:
            return None, others
        people = self._detector.find(frame.image)[: _OTHERS_MAX + 1]
        if not people:
            return None, others
        regions = [self._settle(frame.image, person) for person in people]
        seen = [(r, self._network.locate(frame.image, r)) for r in regions]
        seen = [(r, s) for r, s in seen if s.presence >= _PRESENCE_MIN]
        if not seen:
            return None, others
        if raw.looks:  # lost on the way: go on with the one who is nearest
            last = raw.looks[-1].landmarks.region
            apart, nearest = min(
                ((float(np.hypot(r.x - last.x, r.y - last.y)), r) for r, _ in seen),
                key=lambda pair: pair[0],
            )
            return (nearest if apart <= _LOST_WITHIN * last.side else None), others
        raw.people = len(seen)
        seen.sort(key=lambda pair: -_looks_like_golfer(pair[1]))
        rest = [
            _Other(region=r, looks=[Look(index=position, s=frame.s, landmarks=s)])
            for r, s in seen[1:]
        ]
        return seen[0][0], rest

    def _settle(self, image: npt.NDArray[np.uint8], person: Person) -> Region:
        region = person.region
        for _ in range(_SETTLE):
            region = self._network.locate(image, region).region
        return region

    def _look_at(self, others: list[_Other], frame: Frame, index: int) -> None:
        for other in others:
            seen = self._network.locate(frame.image, other.region)
            other.looks.append(Look(index=index, s=frame.s, landmarks=seen))
            if seen.presence >= _PRESENCE_MIN:
                other.region = _calm(other.region, seen.region)


def _calm(now: Region, newest: Region) -> Region:
    """Move the crop toward the newest region: a jumping crop would shake every landmark."""
    jumped = np.hypot(newest.x - now.x, newest.y - now.y) > _REGION_JUMP * now.side
    gain = 1.0 if jumped else _REGION_GAIN
    turn = (newest.angle - now.angle + np.pi) % (2 * np.pi) - np.pi
    return Region(
        x=now.x + gain * (newest.x - now.x),
        y=now.y + gain * (newest.y - now.y),
        side=now.side + gain * (newest.side - now.side),
        angle=now.angle + gain * turn,
    )


def _torso(position: npt.NDArray[np.float64]) -> float:
    return float(np.linalg.norm(position[_SHOULDERS].mean(0) - position[_HIPS].mean(0)))


def _looks_like_golfer(seen: Landmarks) -> float:
    """Score one person at first sight: large in the picture, with the hands together."""
    torso = _torso(seen.position)
    apart = np.linalg.norm(seen.position[_LEFT_WRIST] - seen.position[_RIGHT_WRIST])
    return torso / (1 + float(apart) / max(torso, 1.0))


def _thinned(looks: Iterable[Look]) -> list[Look]:
    """Keep of a person's looks as many as the others get."""
    kept: list[Look] = []
    for look in looks:
        if not kept or look.s - kept[-1].s >= _OTHERS_EVERY_S:
            kept.append(look)
    return kept


def _hand_travel(looks: Iterable[Look]) -> float:
    """Sum the path of the joined hands in torso lengths: who swings has the longest."""
    travel, last = 0.0, None
    for look in looks:
        if look.landmarks.presence < _PRESENCE_MIN:
            last = None
            continue
        place = look.landmarks.position
        torso = max(_torso(place), 1.0)
        wrists = place[[_LEFT_WRIST, _RIGHT_WRIST]]
        together = np.linalg.norm(wrists[0] - wrists[1]) < torso
        hands = wrists.mean(0)
        if last is not None and together:
            travel += float(np.linalg.norm(hands - last)) / torso
        last = hands
    return travel
