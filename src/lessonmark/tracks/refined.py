"""Two sights of one joint made one: the moved landmark and what the picture shows.

`anatomy` moves the pose network's landmarks to the joints' centres by what bodies have in common,
the joint refiner reads the centres off the picture. Each states its error; the mean weighs them by
it, minding that both learnt from the same kind of rendered bodies and so err alike in part.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import uniform_filter1d

from lessonmark.media.clip import Frame
from lessonmark.tracks.anatomy import body_size
from lessonmark.tracks.refiner import REFINED, JointRefiner, RefinedLook
from lessonmark.tracks.schema import DEPTH_LINES
from lessonmark.tracks.smoother import cutoff_hz, smooth_path
from lessonmark.words import Handedness, View

__all__ = ["refine_joints"]

Array = npt.NDArray[np.float64]

# Looks nearer than this show nothing new: the smoother bridges them, s.
_LOOK_EVERY_S = 1 / 100
_LOOKS_LEAST = 8  # in a span
# Pictures of another renderer than the training's: errors 0.85 times what the network says (mean
# over joints, both views; bench/README.md). Pictures of people are farther from the training's.
_OTHER_PICTURES = 1.1
# Wrists from down-the-line stay where the pose network has them: one hand hides the other there,
# and with the picture's sight the top of the swing came late (bench/README.md).
_LEFT_ALONE = {View.FACE_ON: (), View.DOWN_THE_LINE: ("wrist",)}
# How alike the two sights err: correlations on bodies that neither was fitted on and on another
# renderer's clips, both views (bench/README.md).
_ALIKE = {
    "shoulder": 0.35,
    "elbow": 0.4,
    "wrist": 0.35,
    "hip": 0.5,
    "knee": 0.2,
    "ankle": 0.25,
    "eye": 0.15,
    "ear": 0.2,
}
# The two disagree, by more than twice what both say, at 3 in 100 of a golfer's joints: there it is
# mostly the landmark that is wrong (bench/README.md). Where they do so at half of them, all over
# the body, this is no posture that the picture's sight was trained on, and it is believed less,
# the more they differ.
_DISAGREE = 4.0
_STRANGE_FROM, _STRANGE_AT = 0.4, 0.6  # shares of the joints
_STRANGE_OVER_S = 0.2
_CALM_S = 0.05  # s, the weight between the two changes no faster
_EDGE_S = 0.1  # s, at a span's ends the picture's sight fades in and out
_SIZE_PERCENTILE = 90.0


def refine_joints(
    frames: Callable[[float, float], Iterable[Frame]],
    joints: xr.Dataset,
    *,
    refiner: JointRefiner,
    spans: Sequence[tuple[float, float]],
) -> xr.Dataset:
    """Join the picture's own sight of the joints to a track of joints' centres.

    Parameters
    ----------
    frames : gives the clip's RGB frames between two times, s.
    joints : from `anatomy.to_joint_centres`, keypoints by body side; not changed.
    spans : start and end of each swing, s; outside them the track stays as it is.

    Returns
    -------
    The same layout: `position` and `velocity` moved, `position_cov` and `position_systematic`
    smaller where two sights are better than one. New is `deeper` (time, line), px: how much
    farther from the camera the lead end of each line of `DEPTH_LINES` lies, for the trunk the
    shoulders than the hips, as the picture shows it; NaN outside the spans.
    """
    deeper = np.full((joints.sizes["time"], len(DEPTH_LINES)), np.nan)
    out = joints
    names = [str(name) for name in joints["keypoint"].values]
    alone = _LEFT_ALONE[View(joints.attrs["view"])]
    taken = [k for k, name in enumerate(REFINED) if name.split("_")[1] not in alone]
    columns = np.array([names.index(REFINED[k]) for k in taken])
    alike = np.array([_ALIKE[REFINED[k].split("_")[1]] for k in taken])
    for start_s, stop_s in spans:
        sight = _sight(frames, joints, refiner, taken, start_s, stop_s)
        if sight is not None:
            out = _joined(out, columns, alike, sight)
            deeper[sight.rows] = sight.deeper
    out = out.assign_coords(line=list(DEPTH_LINES))
    return out.assign(deeper=(("time", "line"), deeper, {"units": "px"}))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sight:
    """What the picture shows in a span of the track."""

    rows: npt.NDArray[np.intp]
    place: Array  # (row, 2, joint) px
    variance: Array  # (row, joint) px^2
    deeper: Array  # (row, line) px


def _sight(
    frames: Callable[[float, float], Iterable[Frame]],
    joints: xr.Dataset,
    refiner: JointRefiner,
    taken: Sequence[int],
    start_s: float,
    stop_s: float,
) -> _Sight | None:
    """Look at the frames of a span; places of the joints `taken`."""
    times = joints["time"].values.astype(np.float64)
    rows = np.flatnonzero((times >= start_s - 1e-6) & (times <= stop_s + 1e-6))
    if len(rows) < _LOOKS_LEAST:
        return None
    wanted = _rows_to_look_at(times, joints["looked_at"].values, rows)
    position = joints["position"].transpose("time", "keypoint", "space").values
    size = body_size(position[rows], np.zeros(position.shape[:2])[rows])
    size_px = float(np.nanpercentile(size, _SIZE_PERCENTILE))
    hips = joints["position"].sel(keypoint=["left_hip", "right_hip"]).mean("keypoint")
    middles = hips.transpose("time", "space").values
    left_handed = Handedness(joints.attrs["handedness"]) is Handedness.LEFT
    looks: dict[int, RefinedLook] = {}
    near = 0.4 * float(np.median(np.diff(times)))
    for frame in frames(start_s, stop_s):
        row = int(rows[np.argmin(np.abs(times[rows] - frame.s))])
        if row in wanted and abs(times[row] - frame.s) < near:
            looks[row] = refiner.look(
                frame.image, middle=middles[row], size_px=size_px, mirrored=left_handed
            )
    if len(looks) < _LOOKS_LEAST:
        return None
    seen = np.array(sorted(looks))
    place = np.stack([looks[row].position for row in seen])
    se = np.stack([looks[row].se for row in seen])
    fps = float(joints.attrs["fps"])
    smooth = np.empty((len(rows), 2, len(taken)))
    variance = np.empty((len(rows), len(taken)))
    for i, k in enumerate(taken):
        name = REFINED[k]
        spread = se[:, k, None, None] ** 2 * np.eye(2)
        path = smooth_path(
            times[rows], seen - rows[0], place[:, k], spread, cutoff=cutoff_hz(name, fps)
        )
        smooth[:, :, i] = path.position
        said = np.interp(times[rows], times[seen], se[:, k])
        variance[:, i] = (_OTHER_PICTURES * said) ** 2
    lines = np.stack([_lines(looks[row], left_handed) for row in seen])
    calm = np.broadcast_to(np.eye(2), (len(seen), 2, 2))
    cutoff = cutoff_hz("shoulder", fps)
    paths = [
        smooth_path(times[rows], seen - rows[0], lines[:, pair], calm, cutoff=cutoff).position
        for pair in ([0, 1], [1, 2])
    ]
    deeper = np.column_stack([paths[0], paths[1][:, 1]])
    return _Sight(rows=rows, place=smooth, variance=variance, deeper=deeper)


def _lines(look: RefinedLook, left_handed: bool) -> Array:
    """Depth along each line of `DEPTH_LINES`, px."""
    lead, trail = ("right", "left") if left_handed else ("left", "right")

    def at(name: str) -> float:
        return float(look.deeper[REFINED.index(name)])

    shoulders, hips = (
        np.array([at(f"{lead}_{part}"), at(f"{trail}_{part}")]) for part in ("shoulder", "hip")
    )
    return np.array(
        [
            shoulders[0] - shoulders[1],
            hips[0] - hips[1],
            shoulders.mean() - hips.mean(),
        ]
    )


def _rows_to_look_at(
    times: Array, looked_at: npt.NDArray[np.int8], rows: npt.NDArray[np.intp]
) -> set[int]:
    """Look where the pose network looked, which is as often as the body's speed asks for."""
    wanted: set[int] = set()
    last = -np.inf
    for row in rows[looked_at[rows] > 0]:
        if times[row] - last >= _LOOK_EVERY_S - 1e-4:
            wanted.add(int(row))
            last = times[row]
    return wanted


def _joined(
    track: xr.Dataset, columns: npt.NDArray[np.intp], correlation: Array, sight: _Sight
) -> xr.Dataset:
    """Join a span's sights of the joints `columns`, whose errors are so alike."""
    rows = sight.rows
    times = track["time"].values.astype(np.float64)[rows]
    square = ("time", "space", "space_other", "keypoint")
    position = track["position"].transpose("time", "space", "keypoint").values.copy()
    velocity = track["velocity"].transpose("time", "space", "keypoint").values.copy()
    random = track["position_cov"].transpose(*square).values.copy()
    shared = track["position_systematic"].transpose(*square).values.copy()
    span = slice(rows[0], rows[-1] + 1)
    moved = position[span, :, columns]
    total = random[span, :, :, columns] + shared[span, :, :, columns]
    said_var = np.maximum(0.5 * (total[:, 0, 0] + total[:, 1, 1]), 1e-6)
    gap = sight.place - moved
    sight_var = sight.variance * _disbelief(times, said_var, sight.variance, correlation, gap)
    weight, var = _mean_of_two(times, said_var, sight_var, correlation)
    shift = weight[:, None] * gap
    kept = (var / said_var)[:, None, None]
    position[span, :, columns] = moved + shift
    velocity[span, :, columns] += np.gradient(shift, times, axis=0)
    random[span, :, :, columns] *= kept
    shared[span, :, :, columns] *= kept
    return track.assign(
        position=(("time", "space", "keypoint"), position, track["position"].attrs),
        velocity=(("time", "space", "keypoint"), velocity, track["velocity"].attrs),
        position_cov=(square, random, track["position_cov"].attrs),
        position_systematic=(square, shared, track["position_systematic"].attrs),
    )


def _disbelief(
    times: Array, own_var: Array, sight_var: Array, correlation: Array, gap: Array
) -> Array:
    """How many times larger the picture's variance is taken, (row, joint)."""
    alike = correlation * np.sqrt(own_var * sight_var)
    expected = 2 * (own_var + sight_var - 2 * alike)
    doubt = (gap**2).sum(axis=1) / np.maximum(expected, 1e-6)
    frames = max(1, round(_STRANGE_OVER_S / float(np.median(np.diff(times)))))
    share = uniform_filter1d((doubt > _DISAGREE).mean(axis=1), frames, mode="nearest")
    strange = np.clip((share - _STRANGE_FROM) / (_STRANGE_AT - _STRANGE_FROM), 0.0, 1.0)
    return np.asarray(1.0 + strange[:, None] * np.maximum(0.0, doubt / _DISAGREE - 1.0))


def _mean_of_two(
    times: Array, own_var: Array, sight_var: Array, correlation: Array
) -> tuple[Array, Array]:
    """Weight of the picture's sight and the mean's variance px^2, both (row, joint)."""
    alike = correlation * np.sqrt(own_var * sight_var)
    # The least-variance mean of two correlated estimates (Gauss-Markov).
    weight = np.clip((own_var - alike) / (own_var + sight_var - 2 * alike), 0.0, 1.0)
    frames = max(1, round(_CALM_S / float(np.median(np.diff(times)))))
    weight = uniform_filter1d(weight, frames, axis=0, mode="nearest")
    fade = np.clip(np.minimum(times - times[0], times[-1] - times) / _EDGE_S, 0.0, 1.0)
    weight *= fade[:, None]
    both = weight * (1 - weight) * alike
    return weight, weight**2 * sight_var + (1 - weight) ** 2 * own_var + 2 * both
