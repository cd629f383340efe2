"""Calibrated cameras: read, stood upright, and what several of them see at once brought to space.

Conventions are OpenCV's (camera axes right, down, ahead; pixels from the middle of the first);
lengths in cm. Own least squares; `check_geometry` holds it against OpenCV's.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from lessonmark.media.clip import Frame

Array = NDArray[np.float64]

CANVAS = (1088, 1920)  # px, of the upright pictures
ROBUST_PX = 20.0  # about 4 cm on the player: beyond it a sight counts for less
ROUNDS = 25
CLICK_PX = 1.5
AIM_SE_DEG = 1.0  # how far a camera may have been turned since it was calibrated
SUBPIXELS = 64.0  # the calibration file counts in these parts of a pixel


@dataclass(frozen=True, kw_only=True)
class Camera:
    """One calibrated camera."""

    name: str
    inner: Array  # (3, 3) px
    distortion: Array  # (5,) k1, k2, p1, p2, k3
    turn: Array  # (3, 3) world to camera: right, down, ahead
    place: Array  # (3,) cm, world; z is up
    size: tuple[int, int]  # px, width and height that it was calibrated at

    @property
    def roll_deg(self) -> float:
        """How far the picture leans, + its right side is too high."""
        return float(np.degrees(np.arctan2(self.turn[0, 2], -self.turn[1, 2])))

    @property
    def pitch_deg(self) -> float:
        """How far the camera looks up, -: down."""
        return float(np.degrees(np.arcsin(self.turn[2, 2])))

    @property
    def matrix(self) -> Array:
        """(3, 4) of a camera without distortion."""
        outer = np.column_stack([self.turn, -self.turn @ self.place])
        return np.asarray(self.inner @ outer)

    def upright(self, *, level: bool = False) -> Camera:
        """The camera as it would be without distortion and roll, and looking ahead if level."""
        ahead = self.turn[2].copy()
        if level:
            ahead[2] = 0.0
            ahead /= np.linalg.norm(ahead)
        right = np.cross(ahead, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        focal = float(np.sqrt(self.inner[0, 0] * self.inner[1, 1]))
        return Camera(
            name=self.name,
            inner=np.array([[focal, 0, CANVAS[0] / 2], [0, focal, CANVAS[1] / 2], [0, 0, 1.0]]),
            distortion=np.zeros(5),
            turn=np.array([right, np.cross(ahead, right), ahead]),
            place=self.place,
            size=CANVAS,
        )


def read_calibration(file: Path) -> list[Camera]:
    """Read the cameras of a motion capture system's calibration file (XML, millimetres).

    Its camera axes are right, up and back, its frame of reference has z up.
    """
    cameras = []
    for one in ET.parse(file).getroot().iter("camera"):
        outer, inner, video = (one.find(n) for n in ("transform", "intrinsic", "fov_video"))
        if outer is None or inner is None or video is None:
            raise SystemExit(f"{file}: a camera without its place or lens")

        def number(node: ET.Element, name: str) -> float:
            return float(node.attrib[name])

        axes = np.array([[number(outer, f"r{i}{j}") for j in (1, 2, 3)] for i in (1, 2, 3)])
        lens = {n: number(inner, n) for n in inner.attrib if n.startswith(("focalLength", "cent"))}
        lens = {n: v / SUBPIXELS for n, v in lens.items()}
        bend = [f"{kind}alDistortion{i}" for kind in ("radi", "tangent") for i in (1, 2)]
        cameras.append(
            Camera(
                name=one.attrib["serial"],
                inner=np.array(
                    [
                        [lens["focalLengthU"], 0.0, lens["centerPointU"]],
                        [0.0, lens["focalLengthV"], lens["centerPointV"]],
                        [0.0, 0.0, 1.0],
                    ]
                ),
                distortion=np.array([number(inner, n) for n in (*bend, "radialDistortion3")]),
                turn=np.diag([1.0, -1.0, -1.0]) @ axes,
                place=np.array([number(outer, n) for n in "xyz"]) / 10,
                size=(int(number(video, "right")) + 1, int(number(video, "bottom")) + 1),
            )
        )
    return cameras


def aimed(cameras: list[Camera], still: Array) -> tuple[list[Camera], float, float]:
    """Turn every camera a little, until all agree on points that stand still.

    Parameters
    ----------
    still : (point, camera, 2) px of the distorted pictures, clicked.

    Returns
    -------
    The cameras; what their pictures disagreed by before and after, RMS in px.
    """
    straight = [replace(c, distortion=np.zeros(5)) for c in cameras]
    flat = np.stack(
        [
            cv2.undistortPoints(
                np.ascontiguousarray(still[:, i]).reshape(-1, 1, 2),
                c.inner,
                c.distortion,
                P=c.inner,
            )[:, 0]
            for i, c in enumerate(cameras)
        ],
        axis=1,
    )
    start, _ = triangulate(straight, np.asarray(flat, float), robust_px=CLICK_PX)

    def turned(by: Array) -> list[Camera]:
        return [
            replace(c, turn=cv2.Rodrigues(one)[0] @ c.turn)
            for c, one in zip(straight, by.reshape(-1, 3), strict=True)
        ]

    def left(x: Array) -> Array:
        by, points = x[: 3 * len(cameras)], x[3 * len(cameras) :].reshape(-1, 3)
        off = (project(turned(by), points) - flat) / CLICK_PX
        return np.concatenate([off.ravel(), by / np.radians(AIM_SE_DEG)])

    first = np.concatenate([np.zeros(3 * len(cameras)), start.ravel()])
    solved = least_squares(left, first, loss="soft_l1", x_scale="jac").x
    off = [left(x)[: flat.size].reshape(-1, 2) * CLICK_PX for x in (first, solved)]
    before, after = (float(np.sqrt((o**2).sum(1).mean())) for o in off)
    aims = [c.turn for c in turned(solved[: 3 * len(cameras)])]
    return [replace(c, turn=t) for c, t in zip(cameras, aims, strict=True)], before, after


def uprighter(
    camera: Camera, upright: Camera, size: tuple[int, int]
) -> Callable[[Iterable[Frame]], Iterable[Frame]]:
    """Make frames as the upright camera would have filmed them.

    Parameters
    ----------
    size : width and height of the frames, px. Two of the clips are 8 px narrower than their
        calibration: the whole picture shrunk and set in the middle, as their calibration stills
        show (a likeness fitted to 435 and 857 matches, 0.35 px left over).
    """
    across, down = np.meshgrid(np.arange(CANVAS[0]), np.arange(CANVAS[1]))
    pixels = np.stack([across, down, np.ones_like(across)], axis=-1).reshape(-1, 3)
    rays = pixels @ np.linalg.inv(upright.inner).T @ upright.turn @ camera.turn.T
    seen, _ = cv2.projectPoints(
        rays, np.zeros(3), np.zeros(3), camera.inner, camera.distortion.reshape(-1, 1)
    )
    shrunk = size[0] / camera.size[0]
    seen = seen.reshape(-1, 2) * shrunk + np.array([0.0, (size[1] - shrunk * camera.size[1]) / 2])
    x, y = seen.astype(np.float32).T.reshape(2, CANVAS[1], CANVAS[0])

    def stand(frames: Iterable[Frame]) -> Iterable[Frame]:
        for frame in frames:
            image = cv2.remap(frame.image, x, y, cv2.INTER_LINEAR)
            yield Frame(index=frame.index, s=frame.s, image=np.asarray(image, np.uint8))

    return stand


def project(cameras: list[Camera], points: Array) -> Array:
    """(point, 3) cm to (point, camera, 2), pixels from the middle of the first."""
    whole = np.concatenate([points, np.ones((len(points), 1))], axis=1)
    seen = np.einsum("cij,pj->pci", np.stack([c.matrix for c in cameras]), whole)
    return np.asarray(seen[..., :2] / seen[..., 2:])


def slopes(cameras: list[Camera], points: Array) -> Array:
    """How the pictures change with the points: (point, camera, 2, 3) px/cm."""
    matrix = np.stack([c.matrix for c in cameras])
    whole = np.concatenate([points, np.ones((len(points), 1))], axis=1)
    seen = np.einsum("cij,pj->pci", matrix, whole)
    top, low = seen[..., :2, None], seen[..., 2:, None]
    return np.asarray((matrix[None, :, :2, :3] - top / low * matrix[None, :, 2:, :3]) / low)


def triangulate(
    cameras: list[Camera],
    seen: Array,
    believed: NDArray[np.bool_] | None = None,
    *,
    robust_px: float = ROBUST_PX,
) -> tuple[Array, Array]:
    """Find the points that fit what all cameras see best.

    Linear first, then Gauss-Newton on the pixels, where a sight that lies off by more than
    `robust_px` counts for less (the loss that scipy calls soft_l1); infinity: plain least squares.

    Parameters
    ----------
    seen : (point, camera, 2) px, from the middle of the first.
    believed : (point, camera) sights to go by, two a point at least; None: all.

    Returns
    -------
    points (point, 3) cm, and each sight's weight (point, camera).
    """
    use = np.ones(seen.shape[:2]) if believed is None else believed.astype(float)
    matrix = np.stack([c.matrix for c in cameras])
    rows = seen[..., None] * matrix[None, :, 2:] - matrix[None, :, :2]
    rows *= (use[..., None] / np.linalg.norm(rows[..., :3], axis=-1))[..., None]
    _, _, right = np.linalg.svd(rows.reshape(len(seen), -1, 4))
    points = right[:, -1, :3] / right[:, -1, 3:]
    weight = use
    for _ in range(ROUNDS):
        left = seen - project(cameras, points)
        weight = use / np.sqrt(1 + (left**2).sum(-1) / robust_px**2)
        slope = slopes(cameras, points)
        normal = np.einsum("pc,pcik,pcil->pkl", weight, slope, slope)
        step = np.einsum("pc,pcik,pci->pk", weight, slope, left)
        points = points + np.linalg.solve(normal, step[..., None])[..., 0]
    return points, weight


def spread(cameras: list[Camera], points: Array, weight: Array, cov: Array) -> Array:
    """Covariance (point, 3, 3) cm^2 of triangulated points from that of the sights.

    Parameters
    ----------
    cov : (point, camera, 2, 2) px^2.
    """
    slope = slopes(cameras, points)
    normal = np.linalg.inv(np.einsum("pc,pcik,pcil->pkl", weight, slope, slope))
    gain = np.einsum("pkl,pc,pcil->pcki", normal, weight, slope)
    return np.asarray(np.einsum("pcki,pcij,pclj->pkl", gain, cov, gain))


def check_geometry(cameras: list[Camera]) -> float:
    """Largest difference to OpenCV's own projection (px) and triangulation (cm)."""
    rng = np.random.default_rng(1)
    points = np.array([0.0, 0.0, 100.0]) + rng.normal(0, 40, (50, 3))
    seen = project(cameras, points)
    theirs = [
        cv2.projectPoints(points, cv2.Rodrigues(c.turn)[0], -c.turn @ c.place, c.inner, None)[0]
        for c in cameras
    ]
    worst = float(np.abs(seen - np.stack([t[:, 0] for t in theirs], axis=1)).max())
    two = [cameras[0], cameras[-1]]
    pair = seen[:, [0, -1]]
    found = cv2.triangulatePoints(two[0].matrix, two[1].matrix, pair[:, 0].T, pair[:, 1].T)
    ours, _ = triangulate(two, pair)
    return max(worst, float(np.abs(ours - (found[:3] / found[3]).T).max()))
