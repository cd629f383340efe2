"""One swing from two cameras as one vector of residuals: what was seen, bones, and what is known.

Axes: along toward the target, out from the player to the ball, up; cm; the middle between the
ankles at address is the origin. Left-handers are mirrored, so that they read the same.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix, lil_matrix

from lessonmark.errors import CannotMeasure
from lessonmark.language import say
from lessonmark.measures.in_space import JOINTS, POINTS, SIDES, InSpace
from lessonmark.measures.seen import FOCAL_SHARE, SwingSeen
from lessonmark.measures.sightings import clock_shift_s, see_depths, see_places
from lessonmark.words import Position

__all__ = ["ROBUST", "Problem", "project"]

Array = npt.NDArray[np.float64]

# Bones: the two joints, length as a share of stature, its spread as a share of itself. Limbs:
# Drillis & Contini (Winter 2009, fig. 4.1), 4 % spread; widths between joint centres and the
# rounded trunk are looser: common practice, no source.
LIMBS = {
    "upper_arm": ("shoulder", "elbow", 0.186, 0.04),
    "forearm": ("elbow", "wrist", 0.146, 0.04),
    "thigh": ("hip", "knee", 0.245, 0.04),
    "shank": ("knee", "ankle", 0.246, 0.04),
}
WIDTHS = {"shoulder": (0.20, 0.15), "hip": (0.11, 0.20), "ear": (0.09, 0.15)}
TRUNK, NECK, HAND = (0.265, 0.08), (0.135, 0.25), (0.05, 0.5)
LENGTHS = (*LIMBS, *WIDTHS, "trunk", "neck", "hand")
# How well a bone keeps its length over a swing, cm: a shoulder rides on its blade, a trunk bends.
KEEPS_CM = {"shoulder": 2.0, "hip": 0.7, "ear": 0.7, "trunk": 2.5, "neck": 2.0, "hand": 2.5}
LIMB_KEEPS_CM = 1.0
CLUB_SHARE_SE = 0.03  # middle of the head against the stated length; the grip's middle
GRIP_BELOW_BUTT_CM = 12.0
ANKLE_HEIGHT, ANKLE_SE_CM = 0.039, 1.5  # share of stature (Winter 2009, fig. 4.1)
FEET_ALONG_SE_DEG = 4.0  # how far the feet stand off the line of play
CAMERA_SE_DEG = 6.0  # how far a camera stands off its own line
PITCH_SE_DEG, PAN_SE_DEG = 6.0, 15.0
ROLL_SE_DEG = 1.5
FOCAL_SE, DISTANCE_SE, HEIGHT_SE_CM = 0.10, 0.25, 40.0
DISTANCE_CM, HEIGHT_CM, STATURE_CM = 450.0, 100.0, 172.0
ROBUST = 2.5  # standard errors from which a residual counts for less
# Ends of the lines of `facing.LINES`, the farther one counted positive; each end a middle of two.
_OF = {joint: [POINTS.index(f"{side}_{joint}") for side in SIDES] for joint in ("shoulder", "hip")}
HIPS = _OF["hip"]
ENDS = np.array(
    [
        [[_OF["shoulder"][0]] * 2, [_OF["shoulder"][1]] * 2],
        [[_OF["hip"][0]] * 2, [_OF["hip"][1]] * 2],
        [_OF["shoulder"], _OF["hip"]],
    ]
)
CAMERA_SIZE = 7  # pan, pitch, roll (rad), along, out, up (cm), log focal length


class Problem:
    """Observations, priors and bones of one swing as one vector of standardised residuals."""

    def __init__(self, front: SwingSeen, side: SwingSeen, club_cm: float | None) -> None:
        self.views = (front, side)
        self.club_cm = club_cm
        self.stature = front.stature_cm or side.stature_cm or STATURE_CM
        shift_s = clock_shift_s(front, side)
        found = front.positions.found
        times = side.paths.times
        self.positions = tuple(
            p for p in Position if p in found and times[0] <= found[p].time.s + shift_s <= times[-1]
        )
        if Position.P1 not in self.positions or len(self.positions) < 3:
            raise CannotMeasure(
                say("the two clips share too little of the swing"),
                do=say("start both cameras before the address"),
            )
        self.n_points = len(self.positions) * len(POINTS) * 3
        self.n = self.n_points + 2 * CAMERA_SIZE + len(LENGTHS)
        seconds = [[found[p].time.s + shift_s * v for p in self.positions] for v in (0, 1)]
        self.seen = see_places(self.views, seconds)
        self.depths = see_depths(self.views, seconds, self.positions)
        self._links()

    # -- where the fit starts ----------------------------------------------------------------

    def start(self) -> Array:
        """Drop both pictures on their planes: near enough for the fit to find its way."""
        x = np.zeros(self.n)
        points = np.full((len(self.positions), len(POINTS), 3), np.nan)
        height = np.full((len(self.positions), len(POINTS), 2), np.nan)
        cameras = x[self.n_points : self.n_points + 2 * CAMERA_SIZE].reshape(2, CAMERA_SIZE)
        self.distance = np.zeros(2)
        self.focal = np.zeros(2)
        for v, swing in enumerate(self.views):
            self.focal[v] = FOCAL_SHARE * max(swing.width, swing.height)
            camera = swing.camera
            self.distance[v] = (camera.distance_cm if camera else None) or DISTANCE_CM
            if swing.scale is not None:
                self.distance[v] = self.focal[v] / swing.scale.px_per_cm
            cm = self.seen.place / self.focal[v] * self.distance[v]
            for (seen_by, i, k), at in zip(self.seen.at, cm, strict=True):
                if seen_by == v:
                    points[i, k, v] = at[0]
                    height[i, k, v] = at[1]
        feet = [POINTS.index(f"{side}_ankle") for side in SIDES]
        for v in (0, 1):
            ground = np.nanmean(height[0, feet, v])
            height[:, :, v] -= ground - ANKLE_HEIGHT * self.stature
            middle = np.nanmean(points[0, feet, v])
            points[:, :, v] -= middle
            cameras[v, 2] = self._roll(v)
            cameras[v, 3 + v] = -middle
            cameras[v, 5] = -ground + ANKLE_HEIGHT * self.stature
            cameras[v, 6] = math.log(self.focal[v])
        cameras[0, 4] = self.distance[0]
        cameras[1, 3] = -self.distance[1]
        with np.errstate(invalid="ignore"):
            points[:, :, 2] = np.where(
                np.isfinite(height).all(-1),
                np.nanmean(np.where(np.isfinite(height), height, 0.0), axis=-1),
                np.where(np.isfinite(height[..., 0]), height[..., 0], height[..., 1]),
            )
        middle_of = np.nan_to_num(np.nanmean(points, axis=1, keepdims=True))
        x[: self.n_points] = np.where(np.isfinite(points), points, middle_of).ravel()
        x[self.n_points + 2 * CAMERA_SIZE :] = np.log(
            [self._prior_length(name)[0] for name in LENGTHS]
        )
        self._cameras0 = cameras.copy()
        return x

    def _roll(self, v: int) -> float:
        camera = self.views[v].camera
        return math.radians(self.views[v].toward * camera.roll_deg) if camera else 0.0

    def _off_pitch(self, v: int, pitch: float) -> float:
        camera = self.views[v].camera
        if camera is None or camera.pitch_deg is None:
            return pitch / math.radians(PITCH_SE_DEG)
        return (pitch - math.radians(camera.pitch_deg)) / math.radians(camera.pitch_se_deg)

    def _prior_length(self, name: str) -> tuple[float, float]:
        if name in LIMBS:
            share, spread = LIMBS[name][2:]
        elif name in WIDTHS:
            share, spread = WIDTHS[name]
        else:
            share, spread = {"trunk": TRUNK, "neck": NECK, "hand": HAND}[name]
        return share * self.stature, spread

    # -- bones -----------------------------------------------------------------------------

    def _links(self) -> None:
        """List the bones: which points' middles they join, and which length they share."""
        number = {name: k for k, name in enumerate(POINTS)}
        links: list[tuple[int, tuple[int, ...], tuple[int, ...], int, float]] = []
        for i in range(len(self.positions)):
            for name, (a, b, _, _) in LIMBS.items():
                for s in SIDES:
                    ends = ((number[f"{s}_{a}"],) * 2, (number[f"{s}_{b}"],) * 2)
                    links.append((i, *ends, LENGTHS.index(name), LIMB_KEEPS_CM))
            pairs = {j: tuple(number[f"{s}_{j}"] for s in SIDES) for j in JOINTS}
            for joint in WIDTHS:
                one, other = pairs[joint]
                links.append((i, (one, one), (other, other), LENGTHS.index(joint), KEEPS_CM[joint]))
            for name, a, b in (("trunk", "shoulder", "hip"), ("neck", "ear", "shoulder")):
                links.append((i, pairs[a], pairs[b], LENGTHS.index(name), KEEPS_CM[name]))
            grip = (number["grip_mid"],) * 2
            links.append((i, pairs["wrist"], grip, LENGTHS.index("hand"), KEEPS_CM["hand"]))
        self.link_at = np.array([link[0] for link in links])
        self.link_a = np.array([link[1] for link in links])
        self.link_b = np.array([link[2] for link in links])
        self.link_length = np.array([link[3] for link in links])
        self.link_se = np.array([link[4] for link in links])

    # -- the residuals ---------------------------------------------------------------------

    def _split(self, x: Array) -> tuple[Array, Array, Array]:
        points = x[: self.n_points].reshape(len(self.positions), len(POINTS), 3)
        cameras = x[self.n_points : self.n_points + 2 * CAMERA_SIZE].reshape(2, CAMERA_SIZE)
        return points, cameras, np.exp(x[self.n_points + 2 * CAMERA_SIZE :])

    def residuals(self, x: Array) -> Array:
        """Everything that should be near nothing, in standard errors."""
        points, cameras, lengths = self._split(x)
        return np.concatenate(
            [
                np.einsum("nij,nj->ni", self.seen.root, self._image(points, cameras)).ravel(),
                self._farther(points, cameras),
                self._bones(points, lengths),
                self._priors(points, cameras, lengths),
            ]
        )

    def _image(self, points: Array, cameras: Array) -> Array:
        v, i, k = self.seen.at.T
        left: Array = project(points[i, k], cameras[v], v) - self.seen.place
        return left

    def _farther(self, points: Array, cameras: Array) -> Array:
        """Depth differences along the ray to the hips, against what the tracks say of them."""
        v, i, line = self.depths.at.T
        lines = points[:, ENDS].mean(axis=3)  # (position, line, end, 3)
        hips = points[i][:, HIPS].mean(axis=1)
        away = hips - cameras[v, 3:6]
        far = np.sqrt((away**2).sum(axis=1))
        got = ((lines[i, line, 0] - lines[i, line, 1]) * away).sum(axis=1) / far
        px = got * np.exp(cameras[v, 6]) / far
        left: Array = (px - self.depths.farther_px) / self.depths.se_px
        return left

    def _bones(self, points: Array, lengths: Array) -> Array:
        rows = self.link_at[:, None]
        a = points[rows, self.link_a].mean(axis=1)
        b = points[rows, self.link_b].mean(axis=1)
        long = np.sqrt(((a - b) ** 2).sum(axis=1) + 1e-6)
        bones: Array = (long - lengths[self.link_length]) / self.link_se
        if self.club_cm is None:
            return bones
        grip, head = POINTS.index("grip_mid"), POINTS.index("clubhead")
        club = np.sqrt(((points[:, grip] - points[:, head]) ** 2).sum(axis=1) + 1e-6)
        expected = self.club_cm - GRIP_BELOW_BUTT_CM
        return np.concatenate([bones, (club - expected) / (CLUB_SHARE_SE * self.club_cm)])

    def _priors(self, points: Array, cameras: Array, lengths: Array) -> Array:
        expected = np.array([self._prior_length(name) for name in LENGTHS])
        rows = [np.log(lengths / expected[:, 0]) / expected[:, 1]]
        lead, trail = (points[0, POINTS.index(f"{side}_ankle")] for side in SIDES)
        feet = lead - trail
        rows.append(
            np.array(
                [
                    (lead[2] - ANKLE_HEIGHT * self.stature) / ANKLE_SE_CM,
                    (trail[2] - ANKLE_HEIGHT * self.stature) / ANKLE_SE_CM,
                    (lead[0] + trail[0]) / 0.2,
                    (lead[1] + trail[1]) / 0.2,
                    math.atan2(feet[1], feet[0]) / math.radians(FEET_ALONG_SE_DEG),
                ]
            )
        )
        for v, (pan, pitch, roll, along, out, up, log_focal) in enumerate(cameras):
            camera = self.views[v].camera
            roll_se = math.radians(camera.roll_se_deg if camera else ROLL_SE_DEG)
            hips = points[0, [POINTS.index(f"{side}_hip") for side in SIDES]].mean(axis=0)
            beside = (along - hips[0], out - hips[1])[v]
            away = (out - hips[1], hips[0] - along)[v]
            scale = self.views[v].scale
            rows.append(
                np.array(
                    [
                        pan / math.radians(PAN_SE_DEG),
                        self._off_pitch(v, float(pitch)),
                        (roll - self._cameras0[v, 2]) / roll_se,
                        math.atan2(beside, away) / math.radians(CAMERA_SE_DEG),
                        (up - HEIGHT_CM) / HEIGHT_SE_CM,
                        (log_focal - self._cameras0[v, 6]) / FOCAL_SE,
                        math.log(max(away, 1.0) / self.distance[v])
                        / (DISTANCE_SE if scale is not None else 2 * DISTANCE_SE),
                    ]
                )
            )
        return np.concatenate(rows)

    # -- the solver's needs ----------------------------------------------------------------

    def steps(self) -> Array:
        """How far each parameter may reasonably move: its scale in the fit."""
        steps = np.ones(self.n)
        steps[: self.n_points] = 5.0
        camera = [0.1, 0.1, 0.02, 20.0, 20.0, 20.0, 0.1]
        steps[self.n_points : self.n_points + 2 * CAMERA_SIZE] = camera * 2
        steps[self.n_points + 2 * CAMERA_SIZE :] = 0.05
        return steps

    def sparsity(self) -> csr_matrix:
        """Which parameter each residual reads."""
        links, positions = len(self.link_at), len(self.positions)
        clubs = positions if self.club_cm is not None else 0
        priors = len(LENGTHS) + 5 + 2 * 7
        places, depths = 2 * len(self.seen.at), len(self.depths.at)
        rows = places + depths + links + clubs + priors
        reads = lil_matrix((rows, self.n), dtype=np.int8)

        def point(i: int, k: int) -> slice:
            first = (i * len(POINTS) + k) * 3
            return slice(first, first + 3)

        for row, (v, i, k) in enumerate(self.seen.at):
            camera = self.n_points + v * CAMERA_SIZE
            for r in (2 * row, 2 * row + 1):
                reads[r, point(i, k)] = 1
                reads[r, camera : camera + CAMERA_SIZE] = 1
        for row, (v, i, line) in enumerate(self.depths.at):
            camera = self.n_points + v * CAMERA_SIZE
            for k in {*ENDS[line].ravel(), *HIPS}:
                reads[places + row, point(i, k)] = 1
            reads[places + row, camera : camera + CAMERA_SIZE] = 1
        base = places + depths
        lengths = self.n_points + 2 * CAMERA_SIZE
        for row, i in enumerate(self.link_at):
            for k in (*self.link_a[row], *self.link_b[row]):
                reads[base + row, point(i, k)] = 1
            reads[base + row, lengths + self.link_length[row]] = 1
        base += links
        for i in range(clubs):
            for name in ("grip_mid", "clubhead"):
                reads[base + i, point(i, POINTS.index(name))] = 1
        base += clubs
        # The priors are few: each may read the feet and hips at address, cameras and lengths.
        for side in SIDES:
            for joint in ("ankle", "hip"):
                reads[base:, point(0, POINTS.index(f"{side}_{joint}"))] = 1
        reads[base:, self.n_points :] = 1
        return csr_matrix(reads)

    def result(self, x: Array) -> InSpace:
        """Gather the solution with its covariance."""
        points, cameras, lengths = self._split(x)
        jacobian = self._jacobian(x)
        left = self.residuals(x)
        # Rows beyond the robust limit count for less, as they did in the fit.
        weight = (1.0 + (left / ROBUST) ** 2) ** -0.25
        rows = jacobian * weight[:, None]
        normal = np.asarray(np.linalg.pinv(rows.T @ rows, hermitian=True, rcond=1e-12), float)
        n_image = 2 * len(self.seen.at) + len(self.depths.at)
        spread = (normal @ (rows * weight[:, None]).T)[:, :n_image]
        pictured = self._image(points, cameras)
        seen = {POINTS[k] for _, _, k in self.seen.at}
        # Errors that turned out larger than stated make every one of them larger (Birge 1932).
        chi2 = float((left[:n_image] ** 2 * weight[:n_image] ** 2).sum())
        free = max(n_image - self.n_points - 2 * CAMERA_SIZE + len(self.link_at), 1)
        birge = max(chi2 / free, 1.0)
        return InSpace(
            positions=self.positions,
            points=points,
            spread=spread * math.sqrt(birge),
            total=np.asarray(normal * birge, dtype=float),
            random_share=np.concatenate([self.seen.share, self.depths.share]),
            rms_px=float(np.sqrt((pictured**2).sum(axis=1).mean())),
            lengths_cm=dict(zip(LENGTHS, (float(one) for one in lengths), strict=True)),
            seen=tuple(sorted(seen)),
        )

    def _jacobian(self, x: Array) -> Array:
        base = self.residuals(x)
        steps = 1e-4 * self.steps()
        columns = np.empty((len(base), self.n))
        for i in range(self.n):
            moved = x.copy()
            moved[i] += steps[i]
            columns[:, i] = (self.residuals(moved) - base) / steps[i]
        return columns


def project(points: Array, cameras: Array, view: npt.NDArray[np.int_]) -> Array:
    """Project points into their cameras' pictures, px from the middle, (target or ball, up).

    Parameters
    ----------
    points : (n, 3) cm.
    cameras : (n, 7) pan, pitch, roll (rad), place (cm), log focal length (px).
    view : (n,) 0 face-on, looking from out; 1 down-the-line, looking along.
    """
    pan, pitch, roll, along, out, up, log_focal = cameras.T
    d = points - np.stack([along, out, up], axis=1)
    across = np.where(view == 0, d[:, 0], d[:, 1])
    ahead = np.where(view == 0, -d[:, 1], d[:, 0])
    rise = d[:, 2]
    across, ahead = (
        across * np.cos(pan) - ahead * np.sin(pan),
        across * np.sin(pan) + ahead * np.cos(pan),
    )
    rise, ahead = (
        rise * np.cos(pitch) - ahead * np.sin(pitch),
        rise * np.sin(pitch) + ahead * np.cos(pitch),
    )
    # A picture whose plumb line leans toward target or ball by the roll.
    across, rise = (
        across * np.cos(roll) + rise * np.sin(roll),
        -across * np.sin(roll) + rise * np.cos(roll),
    )
    size = np.exp(log_focal) / np.maximum(ahead, 50.0)
    return np.stack([across * size, rise * size], axis=1)
