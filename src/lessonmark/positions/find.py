"""A swing's tracks in; its positions P1 to P10 out.

P2, P3, P5, P6, P8 and P9 are where a line passes the level: the shaft, the lead arm, the trail
arm. The line's two ends are compared in height, which holds from both views; the slope at the
root and the ends' errors give the time's error. P4 is where the lead arm turns, P1 and P10 where
the clubhead starts and stops, P7 what `impact.py` makes of sound, ball and club.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

import xarray as xr

from lessonmark.language import say
from lessonmark.positions.crossing import crossings, soft_crossing, turning
from lessonmark.positions.ends import find_start, find_stop
from lessonmark.positions.hidden_ball import left_unseen, look_down
from lessonmark.positions.impact import BALL, SOUND, ImpactSource, fuse_impact
from lessonmark.positions.lines import (
    arm_elevation,
    arms_turn,
    shaft_elevation,
    unseen_s,
)
from lessonmark.positions.order import in_order
from lessonmark.positions.passing import BallLike, club_passing, hands_passing
from lessonmark.positions.signals import Trace, path_of, torso_px
from lessonmark.positions.swings import SwingSpan
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.words import Position, View

__all__ = ["StrikeLike", "find_positions"]

P = Position


class StrikeLike(Protocol):
    """A sound that may be the strike, already corrected by the camera's distance."""

    @property
    def s(self) -> float:
        """When, on the clip's own clock, s."""

    @property
    def se_s(self) -> float:
        """Standard error, s."""


# Reach of the local polynomials on each side, s: the slower the line, the longer.
REACH_BACKSWING_S = 0.08
REACH_BEFORE_TOP_S = 0.12
REACH_AFTER_TOP_S = 0.08
REACH_ARM_DOWN_S = 0.03
REACH_RELEASE_S = 0.02
# From down-the-line the club goes away from the camera behind the hands after impact: for longer
# than this, s, and nobody can say when it was level.
LONGEST_UNSEEN_S = 0.12
# There the body hides the arms, too: seen on the rendered swings, s.
SE_P9_FROM_BEHIND_S = 0.030
# There the shaft points at the camera about P6, and the club's tracked end comes too near after it:
# seen on the rendered swings, s.
SE_P6_FROM_BEHIND_S = 0.005
# The trail arm comes up to level no sooner than this after impact, s.
SOONEST_P9_S = 0.015
# The trail arm comes up to level within this of impact (common practice, no source), s.
LONGEST_TO_P9_S = 0.25
# From down-the-line the lead arm's turn is not seen; the hands' highest place comes within this
# of it, s.
SE_TOP_FROM_HANDS_S = 0.008
# A torso as seen from the front at address, m: about 0.29 of the stature, bent forward by some
# 35 deg. Only the speeds that count as still hang on it.
TORSO_M = 0.40
# A sound or a ball that goes farther from the hands' lowest place is of another swing, s.
IMPACT_WITHIN_S = 0.25


def find_positions(
    track: xr.Dataset,
    span: SwingSpan,
    *,
    view: View,
    sign_target: int,
    strikes: Sequence[StrikeLike] = (),
    ball_left: Time | None = None,
    ball: BallLike | None = None,
    px_per_m: float | None = None,
    roll_deg: float = 0.0,
    roll_se_deg: float = 0.5,
) -> SwingPositions:
    """Find the positions that a swing has, and say why it lacks the others.

    Parameters
    ----------
    track : dims (time, space, keypoint), sides as lead / trail (`tracks.sides.by_lead_trail`),
        with or without the club's keypoints and variables (`tracks.schema`).
    span : where the swing lies (`find_swings`).
    view : where the camera stands.
    sign_target : +1 where the target lies to the image's right, -1 to its left.
    strikes : when a strike was made, heard at the camera and corrected by its distance, s.
    ball_left : when the ball was seen to leave, s.
    ball : the ball at address.
    px_per_m : the scale at the player, where known.
    roll_deg, roll_se_deg : how far a level line is turned counter-clockwise in the image, deg.

    Returns
    -------
    SwingPositions : times on the clip's own clock; every position is in `found` or in `missing`.
    """
    finder = _Finder(
        track, span, view, sign_target, roll_deg, roll_se_deg, px_per_m or torso_px(track) / TORSO_M
    )
    finder.find_top()
    finder.find_address()
    finder.find_impact(strikes, ball_left, ball)
    finder.find_backswing()
    finder.find_downswing()
    finder.find_follow_through()
    finder.find_finish()
    return in_order(finder.found, finder.missing)


class _Finder:
    """The search through one swing: what was found so far narrows where the rest can be."""

    def __init__(
        self,
        track: xr.Dataset,
        span: SwingSpan,
        view: View,
        sign_target: int,
        roll_deg: float,
        roll_se_deg: float,
        px_per_m: float,
    ) -> None:
        self.track = track.sel(time=slice(span.start_s - 1e-6, span.stop_s + 1e-6))
        self.span = span
        self.view = view
        self.sign = sign_target
        self.roll = roll_deg
        self.px_per_m = px_per_m
        self.torso = torso_px(self.track)
        self.lead = arm_elevation(
            self.track, "lead", view=view, roll_deg=roll_deg, roll_se_deg=roll_se_deg
        )
        self.trail = arm_elevation(
            self.track, "trail", view=view, roll_deg=roll_deg, roll_se_deg=roll_se_deg
        )
        self.shaft, self.shaft_after = (
            shaft_elevation(
                self.track, view=view, away=away, roll_deg=roll_deg, roll_se_deg=roll_se_deg
            )
            for away in (True, False)
        )
        self.found: dict[Position, PositionTime] = {}
        self.missing: dict[Position, str] = {}

    def time(self, position: Position, otherwise: float) -> float:
        at = self.found.get(position)
        return otherwise if at is None else at.time.s

    def put(self, position: Position, time: Time, how: str) -> None:
        # No root is better than a part of a frame's spacing (bias of the interpolation).
        step = self.lead.step_s
        se = math.hypot(time.se, 0.05 * step) if math.isfinite(step) else time.se
        self.found[position] = PositionTime(position=position, time=Time(s=time.s, se=se), how=how)

    def miss(self, reason: str, *positions: Position) -> None:
        for position in positions:
            self.missing.setdefault(position, reason)

    # -- the parts, in the order in which they help each other

    def find_top(self) -> None:
        span = self.span
        if span.starts_at_top:
            started = self._started()
            if started is None:
                self.miss(say("it could not be seen when the club starts down"), P.P4)
            else:
                time, how = started
                self.put(P.P4, time, say("the start down, out of rest: {how}", how=how))
            return
        first, last = self._top_window()
        if self.view is View.FACE_ON:
            turn = arms_turn(self.track, first, last, sign_target=self.sign, roll_deg=self.roll)
            top = self._turning(turn)
            if top is not None:
                self.put(P.P4, top, say("the arms turn back"))
                return
        # From down-the-line the trail hand hides the lead hand.
        hand = path_of(self.track, "trail_wrist", sign_target=self.sign, roll_deg=self.roll)
        height = Trace(t=hand.t, value=hand.up, se=hand.se_up).within(first, last)
        top = self._turning(height)
        if top is None:
            self.miss(say("the hands' highest place is not in the clip"), P.P4)
            return
        self.put(
            P.P4,
            Time(s=top.s, se=math.hypot(top.se, SE_TOP_FROM_HANDS_S)),
            say("the hands are highest"),
        )

    def _turning(self, trace: Trace) -> Time | None:
        return turning(trace, before_s=REACH_BEFORE_TOP_S, after_s=REACH_AFTER_TOP_S)

    def _top_window(self) -> tuple[float, float]:
        down = self.span.bottom_s - self.span.top_s
        return self.span.top_s - max(0.3, down), self.span.top_s + 0.6 * down

    def find_address(self) -> None:
        if self.span.starts_at_top:
            self.miss(say("the swing has no backswing: it starts at the top"), P.P1, P.P2, P.P3)
            return
        started = self._started()
        if started is None:
            self.miss(say("the player is not seen still before the swing"), P.P1)
        else:
            self.put(P.P1, *started)

    def _started(self) -> tuple[Time, str] | None:
        return find_start(
            self.track,
            view=self.view,
            about_s=self.span.still_s,
            torso_px=self.torso,
            px_per_m=self.px_per_m,
        )

    def find_impact(
        self, strikes: Sequence[StrikeLike], ball_left: Time | None, ball: BallLike | None
    ) -> None:
        near = self.span.bottom_s
        address = self.found.get(P.P1)
        address_s = None if address is None else address.time.s
        sources = [
            ImpactSource(kind=SOUND, time=Time(s=strike.s, se=strike.se_s))
            for strike in strikes
            if abs(strike.s - near) < IMPACT_WITHIN_S
        ]
        if ball_left is not None and abs(ball_left.s - near) < IMPACT_WITHIN_S:
            left = self._left(ball_left, ball)
            sources.append(ImpactSource(kind=BALL, time=left))
        club = club_passing(
            self.track,
            view=self.view,
            sign_target=self.sign,
            roll_deg=self.roll,
            ball=ball,
            near_s=near,
            address_s=address_s,
        )
        if club is not None:
            sources.append(club)
        elif self.span.stops_early:
            # A strike that is heard while this club never comes to its ball is a neighbour's.
            sources = [source for source in sources if source.kind == BALL]
        else:
            hands = hands_passing(
                self.track,
                view=self.view,
                sign_target=self.sign,
                roll_deg=self.roll,
                near_s=near,
                address_s=address_s,
            )
            if hands is not None:
                sources.append(hands)
        impact = fuse_impact(sources)
        if impact is None:
            self.miss(say("the swing stops before the ball"), P.P7)
            return
        self.found[P.P7] = impact

    def _left(self, ball_left: Time, ball: BallLike | None) -> Time:
        size = self.track.attrs
        if self.view is View.FACE_ON or ball is None or not {"width", "height"} <= size.keys():
            return ball_left
        return left_unseen(
            ball_left,
            self.track.time.values,
            look_down_rad=look_down(
                ball.y, width=float(size["width"]), height=float(size["height"])
            ),
        )

    def find_backswing(self) -> None:
        if self.span.starts_at_top:
            return
        start = self.time(P.P1, self.span.start_s)
        top = self.time(P.P4, self.span.top_s)
        arm = crossings(self.lead.within(start, top), rising=True, half_width_s=REACH_BACKSWING_S)
        if arm:
            self.put(P.P3, arm[-1][0], say("lead arm"))
        else:
            self.miss(say("half swing: the lead arm does not come up to level"), P.P3)
        if self.shaft is None:
            self.miss(say("the club is not seen"), P.P2)
            return
        shaft = crossings(
            self.shaft.within(start, top), rising=True, half_width_s=REACH_BACKSWING_S
        )
        if shaft:
            self.put(P.P2, shaft[0][0], say("shaft"))
        else:
            self.miss(say("the shaft does not come up to level in the backswing"), P.P2)

    def find_downswing(self) -> None:
        top = self.time(P.P4, self.span.top_s)
        end = self.time(P.P7, self.span.stop_s)
        arm = crossings(self.lead.within(top, end), rising=False, half_width_s=REACH_ARM_DOWN_S)
        if arm:
            self.put(P.P5, arm[0][0], say("lead arm"))
        else:
            self.miss(say("half swing: the lead arm is below level all the way down"), P.P5)
        if self.shaft is None:
            self.miss(say("the club is not seen"), P.P6)
            return
        shaft = crossings(self.shaft.within(top, end), rising=False, half_width_s=REACH_RELEASE_S)
        if shaft:
            time = shaft[-1][0]
            if self.view is View.DOWN_THE_LINE:
                time = Time(s=time.s, se=math.hypot(time.se, SE_P6_FROM_BEHIND_S))
            self.put(P.P6, time, say("shaft"))
        else:
            self.miss(say("the shaft does not come down to level"), P.P6)

    def find_follow_through(self) -> None:
        impact = self.found.get(P.P7)
        if impact is None:
            self.miss(say("the swing stops before the ball"), P.P8, P.P9)
            return
        after = impact.time.s
        stop = self.span.stop_s
        if self.shaft_after is None:
            self.miss(say("the club is not seen"), P.P8)
        else:
            shaft = crossings(
                self.shaft_after.within(after, min(after + LONGEST_TO_P9_S, stop)),
                rising=True,
                half_width_s=REACH_RELEASE_S,
            )
            if shaft:
                time = shaft[0][0]
                gap = unseen_s(self.track, time.s)
                if self.view is View.DOWN_THE_LINE and gap > LONGEST_UNSEEN_S:
                    self.miss(say("the club is hidden behind the player after impact"), P.P8)
                else:
                    if self.view is View.DOWN_THE_LINE:
                        time = Time(s=time.s, se=math.hypot(time.se, gap / math.sqrt(12)))
                    self.put(P.P8, time, say("shaft"))
            else:
                self.miss(say("the swing stops before the shaft is level"), P.P8)
        arm = soft_crossing(
            self.trail.within(after + SOONEST_P9_S, min(after + LONGEST_TO_P9_S, stop))
        )
        if arm is None:
            self.miss(
                say("the swing stops before the trail arm is level")
                if self.span.stops_early
                else say("the trail arm does not come up to level after impact"),
                P.P9,
            )
            return
        if self.view is View.DOWN_THE_LINE:
            arm = Time(s=arm.s, se=math.hypot(arm.se, SE_P9_FROM_BEHIND_S))
        self.put(P.P9, arm, say("trail arm"))

    def find_finish(self) -> None:
        last = max(
            (at for p, at in self.found.items() if p.number >= 7),
            key=lambda at: at.time.s,
            default=None,
        )
        if last is None or self.span.stops_early:
            self.miss(say("the swing stops before P9"), P.P10)
            return
        span = self.span
        if span.rest_s >= float(self.track.time[-1]) - 0.05:
            self.miss(say("the clip ends before the player is still"), P.P10)
            return
        stopped = find_stop(
            self.track,
            view=self.view,
            about_s=span.rest_s,
            between_s=(last.time.s, span.stop_s),
            torso_px=self.torso,
            px_per_m=self.px_per_m,
        )
        if stopped is None:
            self.miss(say("the player is not seen still after the swing"), P.P10)
        else:
            self.put(P.P10, *stopped)
