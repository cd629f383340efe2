"""Where the clubhead goes past the ball, in centimetres, from a face-on swing, with its error.

One camera sees a ray, not a place. Coming down to the ball the clubhead runs near an inclined plane
that holds the ball and the target line, so its place is where its ray meets that plane. How steep
the plane is, which way it points, and where the camera stands are known roughly: they are drawn at
random, the same for all swings of a set-up, so that what they do to a clearance is carried as a
systematic part. The track's own error is drawn for each swing.
"""

from __future__ import annotations

import math
import zlib
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.seen import FOCAL_SHARE, SwingSeen
from lessonmark.words import Position, View

__all__ = ["BALL_RADIUS_CM", "ClubPath", "club_path", "head_radius_cm"]

Array = npt.NDArray[np.float64]
BALL_RADIUS_CM = 2.13  # The R&A and USGA, Equipment Rules: diameter not less than 42.67 mm
DRAWS = 200
SEED = 31
LEAST_FPS = 100.0  # at 60 frames a second the clubhead goes 60 cm from one to the next
STEP_S = 0.001
FINE = 8  # points between two steps: 35 m/s are 3.5 cm in one
AROUND_CM = 110.0  # what of the path is kept, to either side of the ball
# How steep the clubhead's way down is, deg from the ground, irons and long clubs; near a club's lie
# of about 62 and 57 and somewhat flatter, common practice, no source.
STEEP_DEG, STEEP_LONG_DEG, STEEP_SE_DEG = 58.0, 50.0, 8.0
LONG_CLUB_CM = 105.0
HEADING_SE_DEG = 4.0  # of the path against the target line; common practice, no source
# The ball from the hips' plane, share of stature, with an iron (measures/depth.py); a longer club
# lies flatter and puts it farther out; common practice, no source.
NEARER, NEARER_SE, NEARER_PER_CM, IRON_CM = 0.47, 0.05, 0.011, 95.0
FOCAL_SE = 0.05  # share: phones differ, stabilising crops
STATURE_CM = 172.0  # an ordinary stature, where none is declared
ROLL_SE_DEG, YAW_SE_DEG, PITCH_SE_DEG = 1.0, 10.0, 5.0  # of a camera that was not checked
ERROR_LASTS_S = 0.04  # about a smoother's own width, as in measures/measuring.py
STILL_THERE = 0.6  # share of a clubhead's error left once the club is set on the ground
TEE_LONG_CM, TEE_SE_CM = 4.0, 1.5  # a long club's ball is teed; common practice, no source
RESTS_SE_CM = 1.0  # a sole that hovers, or sits down in grass; common practice, no source
# The middle of the head at impact against a teed ball's middle, or against where it rests on the
# ground: what a strike that is not the best differs by; common practice, no source.
MEETS_SE_CM = 1.2
LOST_CM = 9.0  # farther from there at impact: not the head
# Half of a clubhead as seen face-on, sole to the middle of the face; common practice, no source.
HEAD_CM, HEAD_LONG_CM = 2.5, 3.5


@dataclass(frozen=True, kw_only=True, eq=False)
class ClubPath:
    """The clubhead's path around the ball; the ground below the ball is the origin.

    Places are (along, up), cm: + toward the target, + up. The first draw is the best estimate; the
    others are drawn from the errors.
    """

    swing_id: str
    down: Array  # (draw, point, 2): from P5 to the ball
    back: Array  # (draw, point, 2): takeaway to P3; no points where it was not seen
    club_length_cm: float

    def __post_init__(self) -> None:
        if self.down.ndim != 3 or self.down.shape[2] != 2 or self.down.shape[1] < 2:
            raise ValueError(f"a path has draws of places, got {self.down.shape}")

    @property
    def best(self) -> Array:
        """The best estimate of the way down, (point, 2), cm."""
        return np.asarray(self.down[0])


def club_path(
    swing: SwingSeen, *, swing_id: str, club_length_cm: float, draws: int = DRAWS
) -> ClubPath:
    """Find the clubhead's path around the ball.

    Parameters
    ----------
    swing : seen face-on, with a scale.
    draws : how many times the errors are drawn.

    Raises
    ------
    CannotMeasure : not face-on, too few frames a second, no scale, no ball, no club or no P7.
    """
    _refuse(swing)
    camera = _Camera(swing, club_length_cm, draws)
    found = swing.positions.found
    start = found.get(Position.P5) or found.get(Position.P4)
    impact = found.get(Position.P7)
    if start is None or impact is None:
        raise CannotMeasure(
            say("the way down to the ball was not found"),
            do=say("place P5 and P7 by hand, or film the whole swing"),
        )
    rng = np.random.default_rng([SEED, zlib.crc32(swing_id.encode())])
    first, third = found.get(Position.P1), found.get(Position.P3)
    if first is None:
        raise CannotMeasure(
            say("address (P1) was not found"), do=say("start the clip two seconds before the swing")
        )
    back = np.empty((draws, 0, 2))
    if third is not None:
        with suppress(CannotMeasure):  # the takeaway only warns
            camera.set_on_the_ground(first.time.s)
            back = camera.path(_times(first.time.s, third.time.s), rng)
    camera.set_on_the_ball(first.time.s, impact.time.s)
    down = camera.path(_times(start.time.s, impact.time.s), rng)
    return ClubPath(swing_id=swing_id, down=down, back=back, club_length_cm=club_length_cm)


def head_radius_cm(club_length_cm: float) -> float:
    """Half of the clubhead's height, cm, by the kind of club that its length tells."""
    return HEAD_LONG_CM if club_length_cm > LONG_CLUB_CM else HEAD_CM


def _refuse(swing: SwingSeen) -> None:
    if swing.view is not View.FACE_ON:
        raise CannotMeasure(say("an obstacle is planned from face-on"), do=say("film face-on"))
    if swing.fps < LEAST_FPS:
        raise CannotMeasure(
            say("{fps:.0f} frames a second are too few for the clubhead's path", fps=swing.fps),
            do=say("film at {fps:.0f} frames a second or more", fps=2 * LEAST_FPS),
        )
    if swing.scale is None:
        raise CannotMeasure(
            say("an obstacle's place needs a scale in centimetres"),
            do=say("enter the player's height, or lay a club of known length in the picture"),
        )
    if swing.ball is None:
        raise CannotMeasure(
            say("the ball was not found at address"),
            do=say("film so that the ball is in sight and stands out from the ground"),
        )


def _times(start: float, stop: float) -> Array:
    return np.linspace(start, stop, max(4, math.ceil((stop - start) / STEP_S) + 1))


class _Camera:
    """Rays of a camera that is known roughly, met with the plane that the club comes down in."""

    def __init__(self, swing: SwingSeen, club_length_cm: float, draws: int) -> None:
        self.swing = swing
        self.draws = draws
        # One seed for every swing: the set-up's errors are the same ones in all of them.
        rng = np.random.default_rng(SEED)

        def drawn(value: float, se: float) -> Array:
            errors = rng.standard_normal(draws)
            errors[0] = 0.0
            return value + se * errors

        check, scale = swing.camera, swing.scale
        assert scale is not None
        self.focal = FOCAL_SHARE * max(swing.width, swing.height) * drawn(1.0, FOCAL_SE)
        self.roll = np.radians(
            drawn(check.roll_deg if check else 0.0, check.roll_se_deg if check else ROLL_SE_DEG)
        )
        self.pitch = np.radians(
            drawn(
                (check.pitch_deg if check else None) or 0.0,
                check.pitch_se_deg if check else PITCH_SE_DEG,
            )
        )
        yaw = np.radians(
            drawn(
                (check.yaw_deg if check else None) or 0.0,
                check.yaw_se_deg if check else YAW_SE_DEG,
            )
        )
        heading = yaw + np.radians(drawn(0.0, HEADING_SE_DEG))
        steep = STEEP_LONG_DEG if club_length_cm > LONG_CLUB_CM else STEEP_DEG
        slope = np.radians(np.clip(drawn(steep, STEEP_SE_DEG), 30.0, 80.0))
        stature = swing.stature_cm or STATURE_CM
        hips = self.focal / (scale.px_per_cm * drawn(1.0, scale.relative_se))
        out = NEARER + NEARER_PER_CM * (club_length_cm - IRON_CM)
        self.depth = hips - stature * drawn(out, NEARER_SE)
        # Camera axes: image right, away, up. Off square by + yaw the trail side is nearer, so that
        # the target lies farther away (`measures/standing.py`).
        zero, toward = np.zeros(draws), swing.toward
        self.along = np.stack([toward * np.cos(yaw), np.sin(yaw), zero], axis=1)
        way = np.stack([toward * np.cos(heading), np.sin(heading), zero], axis=1)
        rise = np.stack(
            [
                -toward * np.sin(heading) * np.cos(slope),
                np.cos(heading) * np.cos(slope),
                np.sin(slope),
            ],
            axis=1,
        )
        self.normal = np.cross(way, rise)
        assert swing.ball is not None
        ball = np.array([[swing.ball.x, swing.ball.y]])
        place = np.repeat(ball[None], draws, axis=0)
        place += swing.ball.se_px * np.where(
            np.arange(draws)[:, None, None] > 0, rng.standard_normal((draws, 1, 2)), 0.0
        )
        tee = TEE_LONG_CM if club_length_cm > LONG_CLUB_CM else 0.0
        self.ball_up = BALL_RADIUS_CM + np.maximum(drawn(tee, TEE_SE_CM if tee else 0.1), 0.0)
        self.rests = drawn(head_radius_cm(club_length_cm), RESTS_SE_CM)
        self.meets = drawn(0.0, MEETS_SE_CM) + (self.ball_up if tee else self.rests[0])
        ray = self._rays(place)[:, 0]
        self.ball = ray * (self.depth / ray[:, 1])[:, None]

    def set_on_the_ground(self, start_s: float) -> None:
        """Shorten the tracked club so that its sole rests on the ground at address.

        A track knows the shaft's line to a few tenths of a degree, but where on it the head ends
        to some centimetres only, and that error stays through the swing.
        """
        head, shaft = self._club(start_s)
        ends = np.repeat(np.stack([head, head - shaft])[None], self.draws, axis=0)
        low, high = self._meet(ends)[:, :, 1].T
        self.shorter = (self.rests - low) / (high - low)

    def set_on_the_ball(self, start_s: float, impact_s: float) -> None:
        """Shorten the tracked club so that its head meets the ball at impact.

        Raises
        ------
        CannotMeasure : the head that rested at the ball at address is nowhere near it at impact,
            so that it was not followed.
        """
        self.set_on_the_ground(start_s)
        head, shaft = self._club(impact_s)
        ends = np.repeat(np.stack([head, head - shaft])[None], self.draws, axis=0)
        ends -= self.shorter[:, None, None] * shaft
        low, high = self._meet(ends)[:, :, 1].T
        if abs(float(low[0] - self.meets[0])) > LOST_CM:
            raise CannotMeasure(
                say("the clubhead was lost near the ball"),
                do=say(
                    "film against a plain background, with a shorter exposure and the club in full"
                ),
            )
        self.shorter = self.shorter + (self.meets - low) / (high - low)

    def path(self, times: Array, rng: np.random.Generator) -> Array:
        """Place the clubhead at these times, (draw, point, 2) along and up, cm."""
        ends = [self._club(float(s)) for s in times]
        place = np.array([one[0] for one in ends])
        shaft = np.array([one[1] for one in ends])
        covs = [self.swing.paths.guess("clubhead", float(s))[1] for s in times]
        roots = np.array([_root(cov) for cov in covs]) * STILL_THERE
        # Knots as far apart as errors last keep the draw small; between them it is straight.
        knots = np.arange(times[0], times[-1] + ERROR_LASTS_S, ERROR_LASTS_S / 2)
        far = np.abs(knots[:, None] - knots[None, :]) / ERROR_LASTS_S
        mix = np.linalg.cholesky(np.exp(-0.5 * far**2) + 1e-6 * np.eye(len(knots)))
        waves = np.einsum("kj,djc->dkc", mix, rng.standard_normal((self.draws, len(knots), 2)))
        waves[0] = 0.0
        share = np.clip((times - knots[0]) / (ERROR_LASTS_S / 2), 0, len(knots) - 1.001)
        low = share.astype(int)
        part = (share - low)[None, :, None]
        wave = (1 - part) * waves[:, low] + part * waves[:, low + 1]
        px = place[None] + np.einsum("tij,dtj->dti", roots, wave)
        px -= self.shorter[:, None, None] * shaft[None]
        fine = _finer(self._meet(px))
        near = np.abs(fine[0, :, 0]) <= AROUND_CM
        return fine[:, near]

    def _club(self, s: float) -> tuple[Array, Array]:
        """Clubhead, px, also where it is only guessed from the shaft; and the way along the shaft.

        Raises
        ------
        CannotMeasure : the shaft was not found then.
        """
        head, _, _ = self.swing.paths.guess("clubhead", s)
        angle, _ = self.swing.paths.shaft_at(s)
        return head, np.array([math.cos(angle), -math.sin(angle)])

    def _meet(self, px: Array) -> Array:
        """Meet the rays of pixels (draw, point, 2) with the plane; along and up, cm."""
        rays = self._rays(px)
        reach = np.einsum("di,di->d", self.normal, self.ball)[:, None]
        rays *= (reach / np.einsum("dti,di->dt", rays, self.normal))[:, :, None]
        away = rays - self.ball[:, None]
        along = np.einsum("dti,di->dt", away, self.along)
        up = away[:, :, 2] + self.ball_up[:, None]
        return np.stack([along, up], axis=2)

    def _rays(self, px: Array) -> Array:
        """Turn pixels (draw, point, 2) into rays (draw, point, 3): image right, away, up."""
        x = px[..., 0] - self.swing.width / 2
        y = px[..., 1] - self.swing.height / 2
        cos, sin = np.cos(self.roll)[:, None], np.sin(self.roll)[:, None]
        across, down = x * cos + y * sin, -x * sin + y * cos
        focal = self.focal[:, None] * np.ones_like(down)
        nod, lift = np.cos(self.pitch)[:, None], np.sin(self.pitch)[:, None]
        return np.stack([across, focal * nod + down * lift, focal * lift - down * nod], axis=-1)


def _root(cov: Array) -> Array:
    sizes, directions = np.linalg.eigh((cov + cov.T) / 2)
    return np.asarray(directions * np.sqrt(np.maximum(sizes, 0.0)), dtype=float)


def _finer(path: Array) -> Array:
    steps = np.arange(0, path.shape[1] - 1 + 1e-9, 1 / FINE)
    low = np.minimum(steps.astype(int), path.shape[1] - 2)
    part = (steps - low)[None, :, None]
    return np.asarray((1 - part) * path[:, low] + part * path[:, low + 1], dtype=float)
