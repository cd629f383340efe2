"""Move the network's landmarks to the joints' centres.

What the network calls a shoulder or a hip is a place that people marked on photographs. It lies
off the joint's centre by a tenth of the torso and more, and by how much depends on the posture: a
tilt that measures read would be wrong by degrees, differently at the top than at impact. The
offset is learnt (`bench/render/fit.py`) from stills of several hundred rendered bodies, in many
clothes and postures, seen by this same network; none of the clips that this project measures
itself on took part. Nothing but the network's own output goes in, so it serves any player.

What is left after that is kept apart in two: the part that differs from one swing of a player to
the next, which joins `position_cov`, and the part that stays with a player, the clothes, the
camera and the position in the swing, which becomes `position_systematic` and cancels in a
difference between stages.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import uniform_filter1d

from lessonmark.tracks.schema import BODY_KEYPOINTS
from lessonmark.words import Handedness, View

__all__ = ["CORRECTED", "INPUTS", "body_size", "network_features", "to_joint_centres"]

Array = npt.NDArray[np.float64]

_SIDES = ("left", "right")
# What the offsets are read from.
INPUTS = (
    "nose",
    *(
        f"{side}_{part}"
        for part in ("ear", "shoulder", "elbow", "wrist", "hip", "knee", "ankle", "foot_index")
        for side in _SIDES
    ),
)
# What is moved.
CORRECTED = tuple(
    f"{side}_{part}"
    for part in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "ear", "eye")
    for side in _SIDES
)
_UNSEEN = 0.5  # visibility under which the network says that it guesses
_CALM_S = 0.05  # s, depth and visibility come unsmoothed and are averaged over this time
_FILE = "anatomy.npz"


def _other_side(names: tuple[str, ...]) -> list[int]:
    swap = {"left": "right", "right": "left"}
    return [
        names.index("_".join(swap.get(word, word) for word in name.split("_"))) for name in names
    ]


_INPUT_INDEX = [BODY_KEYPOINTS.index(name) for name in INPUTS]
_CORRECTED_INDEX = [BODY_KEYPOINTS.index(name) for name in CORRECTED]
_SWAP_BODY = _other_side(BODY_KEYPOINTS)
_SWAP_CORRECTED = _other_side(CORRECTED)


def body_size(position: npt.ArrayLike, depth: npt.ArrayLike) -> Array:
    """Give the body's size in the picture, px: the unit of every offset.

    The root mean square of the lengths of trunk, thighs and shanks, the network's depth included,
    so that a bent or turned body keeps its size. About 1.1 torso lengths of an upright body.

    Parameters
    ----------
    position : (time, 33, 2) px, in the network's order.
    depth : (time, 33) px.
    """
    points = np.concatenate([np.asarray(position, float), np.asarray(depth, float)[..., None]], -1)

    def at(name: str) -> Array:
        return points[:, BODY_KEYPOINTS.index(name)]

    shoulders = (at("left_shoulder") + at("right_shoulder")) / 2
    squares = ((shoulders - (at("left_hip") + at("right_hip")) / 2) ** 2).sum(-1)
    for side in _SIDES:
        squares = squares + ((at(f"{side}_hip") - at(f"{side}_knee")) ** 2).sum(-1)
        squares = squares + ((at(f"{side}_knee") - at(f"{side}_ankle")) ** 2).sum(-1)
    return np.asarray(np.sqrt(squares / 5))


def network_features(
    position: npt.ArrayLike, depth: npt.ArrayLike, visibility: npt.ArrayLike
) -> Array:
    """Describe postures by the network's own words, whatever the picture's size.

    Parameters
    ----------
    position, depth : as in `body_size`; of a right-hander, or mirrored to one.
    visibility : (time, 33).

    Returns
    -------
    (time, feature) : x, y and depth of `INPUTS` from the middle of the hips, in body sizes, then
        their visibilities.
    """
    points = np.concatenate([np.asarray(position, float), np.asarray(depth, float)[..., None]], -1)
    hips = points[:, [BODY_KEYPOINTS.index("left_hip"), BODY_KEYPOINTS.index("right_hip")]].mean(1)
    size = body_size(position, depth)
    relative = (points[:, _INPUT_INDEX] - hips[:, None]) / size[:, None, None]
    seen = np.asarray(visibility, float)[:, _INPUT_INDEX]
    return np.concatenate([relative.reshape(len(relative), -1), seen], axis=1)


@dataclass(frozen=True, kw_only=True)
class _Fitted:
    """One view's fit; offsets in body sizes, image axes, of a right-hander."""

    mean: Array  # (feature,)
    sd: Array
    low: Array  # the stills' own range in standardised features: outside it, nothing is known
    high: Array
    straight: Array  # (feature, 2 * joint)
    hidden: Array  # (feature, unit)
    hidden_bias: Array
    out: Array  # (unit, 2 * joint)
    out_bias: Array
    used: npt.NDArray[np.bool_]  # (joint,) whether the fit helps there
    random: Array  # (joint, 2, 2), body sizes squared, from swing to swing
    systematic: Array  # (joint, 2, 2), stays with player, camera and position in the swing
    clear: Array  # (joint,) factor on both where the network says that it sees the point,
    unseen: Array  # and where it says that it guesses

    def offsets(self, features: Array) -> Array:
        """(time, feature) to (time, joint, 2)."""
        x = np.clip((features - self.mean) / self.sd, self.low, self.high)
        y = x @ self.straight + np.tanh(x @ self.hidden + self.hidden_bias) @ self.out
        moved = (y + self.out_bias).reshape(len(x), -1, 2)
        return np.asarray(moved * self.used[:, None])


@cache
def _fitted(view: View, heavy: bool) -> _Fitted:
    with resources.files("lessonmark.tracks").joinpath(_FILE).open("rb") as file:
        stored = np.load(file, allow_pickle=False)
        names = _Fitted.__dataclass_fields__
        values = {name: stored[f"{'heavy' if heavy else 'full'}/{view}/{name}"] for name in names}
    return _Fitted(**{n: v if v.dtype == np.bool_ else v.astype(float) for n, v in values.items()})


def to_joint_centres(track: xr.Dataset, view: View, *, heavy: bool = False) -> xr.Dataset:
    """Move a body track's landmarks to the joints' centres.

    Shoulders, hips, knees, ankles, ears and eyes move. Elbows and wrists stay, since the network
    errs there by looking at the wrong limb and not by definition; they too get the error that they
    were found to have. All other keypoints stay as they are. The track given is not changed: keep
    it where the network's own landmarks are wanted.

    Parameters
    ----------
    track : dims (time, space, keypoint) with the network's 33 keypoints by body side, as
        `body_dataset` gives it: `position`, `position_cov`, `velocity`, `visibility`, `depth`, and
        the player's handedness in its attributes.
    view : where the camera stood; the fit is one per view.
    heavy : the track comes from the 'heavy' landmark network, which has a fit of its own.

    Returns
    -------
    The same layout, `position` and `velocity` of the joints' centres, and
        position_cov         px^2, with the correction's own error from swing to swing added
        position_systematic  (time, space, space_other, keypoint) px^2, the error that stays with
                             player, clothes, camera and position in the swing; 0 for keypoints
                             that the correction does not know
    `attrs["anatomy"]` says 'joint centres'.

    Raises
    ------
    ValueError : the keypoints are not the network's, or the track has been through here already.
    """
    if tuple(str(name) for name in track["keypoint"].values) != BODY_KEYPOINTS:
        raise ValueError("joint centres need the network's 33 keypoints, by body side")
    if track.attrs.get("anatomy"):
        raise ValueError("this track holds joint centres already")
    left_handed = Handedness(track.attrs["handedness"]) is Handedness.LEFT
    fitted = _fitted(view, heavy)
    position = track["position"].transpose("time", "keypoint", "space").values
    times = track["time"].values
    depth, visibility = (
        _calm(track[name].transpose("time", "keypoint").values, times)
        for name in ("depth", "visibility")
    )
    mirror = np.array([-1.0, 1.0]) if left_handed else np.ones(2)
    order = _SWAP_BODY if left_handed else list(range(len(BODY_KEYPOINTS)))
    back = _SWAP_CORRECTED if left_handed else list(range(len(CORRECTED)))
    size = body_size(position, depth)
    features = network_features(
        (position * mirror)[:, order], depth[:, order], visibility[:, order]
    )
    offset = np.zeros_like(position)
    offset[:, _CORRECTED_INDEX] = fitted.offsets(features)[:, back] * mirror * size[:, None, None]
    guessed = visibility[:, _CORRECTED_INDEX] < _UNSEEN
    factor = np.where(guessed, fitted.unseen[back], fitted.clear[back]) * size[:, None] ** 2
    random, systematic = (
        np.einsum("tj,jab->tabj", factor, matrix[back] * np.outer(mirror, mirror))
        for matrix in (fitted.random, fitted.systematic)
    )
    count = len(times)
    added = np.zeros((count, 2, 2, len(BODY_KEYPOINTS)))
    added[..., _CORRECTED_INDEX] = random
    shared = np.zeros_like(added)
    shared[..., _CORRECTED_INDEX] = systematic
    dims = ("time", "space", "keypoint")
    square = ("time", "space", "space_other", "keypoint")
    moved = xr.DataArray(np.moveaxis(offset, -1, 1), dims=dims)
    speed = np.gradient(offset, times, axis=0) if count > 1 else np.zeros_like(offset)
    out = track.assign(
        position=(track["position"] + moved).assign_attrs(track["position"].attrs),
        velocity=(
            track["velocity"] + xr.DataArray(np.moveaxis(speed, -1, 1), dims=dims)
        ).assign_attrs(track["velocity"].attrs),
        position_cov=(track["position_cov"] + xr.DataArray(added, dims=square)).assign_attrs(
            track["position_cov"].attrs
        ),
        position_systematic=(square, shared, {"units": "px^2"}),
    )
    out = out.transpose("time", "space", "space_other", "keypoint", ...)
    out.attrs = dict(track.attrs) | {"anatomy": "joint centres"}
    return out


def _calm(values: Array, times: Array) -> Array:
    if len(times) < 3:
        return np.asarray(values, float)
    frames = max(1, round(_CALM_S / float(np.median(np.diff(times)))))
    return np.asarray(uniform_filter1d(np.asarray(values, float), frames, axis=0, mode="nearest"))
