"""What a body's track says of the way it faces, and how its errors go by position.

The network gives every landmark a rough depth. By itself it is of little use: it is off by tens of
centimetres. But it knows which shoulder is nearer, and a small table, fitted like the joint centres
(`lessonmark.tracks.anatomy`) on rendered bodies by `bench/render/facing.py`, makes of it and of all
the other landmarks how much farther from the camera one shoulder is than the other, one hip than
the other, and the shoulders than the hips. The joint refiner reads the same off the picture
(`lessonmark.tracks.refined`) and takes its place where it looked: joining the two gained nothing on
pictures of another renderer (bench/README.md, two cameras). Where the second camera sees the
two shoulders one behind the other, or sees one of them badly, this is the better half of what is
known of a turn.

The same table holds how much larger or smaller than on average the error of a joint's centre is at
each position.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import numpy.typing as npt
import xarray as xr

from lessonmark.tracks.anatomy import CORRECTED, body_size, network_features
from lessonmark.tracks.schema import BODY_KEYPOINTS, DEPTH_LINES
from lessonmark.words import Handedness, View

__all__ = [
    "LINES",
    "Facing",
    "landmark_factor",
    "see_facing",
    "with_facing",
]

Array = npt.NDArray[np.float64]

LINES = DEPTH_LINES
POSITIONS = 10
_FILE = "facing.npz"
# Share of what the table says of a position's error that is believed where it makes it smaller. In
# bodies of the renderer that it was learnt on it holds, in another renderer's hardly
# (bench/README.md, measures); what makes an error larger is believed in full.
FACTOR_BELIEVED = 0.5
# How much larger the picture's errors are taken than on its own renderer, by line. The shoulders
# from down-the-line were twice as far off with the refiner before; with this one they are not, and
# they are still believed half as much: two-camera turn errs less so (bench/README.md).
_OTHER_PICTURES = {View.FACE_ON: (1.0, 1.0, 1.0), View.DOWN_THE_LINE: (2.0, 1.0, 1.0)}


@dataclass(frozen=True, kw_only=True, eq=False)
class Facing:
    """How much farther from the camera things are, through a clip."""

    times: Array  # (time,) s
    farther_px: Array  # (time, line) lead than trail shoulder, hip; shoulders than hips; image px
    shown_px: Array  # (time, line) the same as the picture shows it; NaN where nobody looked
    size_px: Array  # (time,) the body's size, which the errors go with
    view: View

    @classmethod
    def of(cls, track: xr.Dataset, view: View) -> Facing | None:
        """Read it off a track that `with_facing` added it to; None where it was not."""
        if "farther" not in track:
            return None
        return cls(
            times=np.asarray(track["time"].values, float),
            farther_px=_by_line(track, "farther"),
            shown_px=_by_line(track, "deeper"),
            size_px=np.asarray(track["body_size"].values, float),
            view=view,
        )

    def at(self, s: float, phase: float) -> tuple[Array, Array, Array]:
        """Value, random and shared standard error of each line, px, at a time.

        Parameters
        ----------
        s : time in the clip.
        phase : 0 at P1 to 9 at P10.
        """
        value, shown = (
            np.array([np.interp(s, self.times, line) for line in lines.T])
            for lines in (self.farther_px, self.shown_px)
        )
        size = float(np.interp(s, self.times, self.size_px))
        table = _table(self.view)
        other = np.square(_OTHER_PICTURES[self.view])
        looked = np.isfinite(shown)
        random = np.where(looked, other * table["shown_random"], table["random"])
        shared = np.where(
            looked,
            other * _between(table["shown_shared"], phase),
            _between(table["shared"], phase),
        )
        return np.where(looked, shown, value), size * np.sqrt(random), size * np.sqrt(shared)


def _by_line(track: xr.Dataset, name: str) -> Array:
    if name not in track:
        return np.full((track.sizes["time"], len(LINES)), np.nan)
    return np.asarray(track[name].transpose("time", "line").values, float)


@cache
def _table(view: View) -> dict[str, Array]:
    with resources.files("lessonmark.measures").joinpath(_FILE).open("rb") as file:
        stored = np.load(file, allow_pickle=False)
        names = [name for name in stored.files if name.startswith(f"{view}/")]
        return {name.partition("/")[2]: stored[name].astype(float) for name in names}


def _between(by_position: Array, phase: float) -> Array:
    at = float(np.clip(phase, 0.0, POSITIONS - 1))
    low = min(int(at), POSITIONS - 2)
    return np.asarray(by_position[low] + (at - low) * (by_position[low + 1] - by_position[low]))


def see_facing(body: xr.Dataset, view: View, handedness: Handedness) -> Facing:
    """Read the way a body faces off its track.

    Parameters
    ----------
    body : the network's own track (`tracks.dataset.body_dataset`), 33 keypoints by body side, with
        its depth; not brought to joint centres.
    view : where the camera stood.
    handedness : as seen in the picture: the other one in a mirrored clip.

    Raises
    ------
    ValueError : the track holds joint centres, or no depth.
    """
    if tuple(str(name) for name in body["keypoint"].values) != BODY_KEYPOINTS:
        raise ValueError("the way a body faces is read off the network's 33 keypoints")
    if body.attrs.get("anatomy") or "depth" not in body:
        raise ValueError("the way a body faces is read off the network's own landmarks")
    position = body["position"].transpose("time", "keypoint", "space").values
    depth, visibility = (
        np.asarray(body[name].transpose("time", "keypoint").values, float)
        for name in ("depth", "visibility")
    )
    size = body_size(position, depth)
    if handedness is Handedness.LEFT:  # the table is a right-hander's
        swap = [BODY_KEYPOINTS.index(_other_side(name)) for name in BODY_KEYPOINTS]
        position = (position * np.array([-1.0, 1.0]))[:, swap]
        depth, visibility = depth[:, swap], visibility[:, swap]
    table = _table(view)
    features = network_features(position, depth, visibility)
    x = np.clip((features - table["mean"]) / table["sd"], table["low"], table["high"])
    y = x @ table["straight"] + np.tanh(x @ table["hidden"] + table["hidden_bias"]) @ table["out"]
    share = (y + table["out_bias"])[:, : len(LINES)]
    return Facing(
        times=np.asarray(body["time"].values, float),
        farther_px=share * size[:, None],
        shown_px=_by_line(body, "deeper"),
        size_px=size,
        view=view,
    )


def with_facing(
    track: xr.Dataset, body: xr.Dataset, view: View, handedness: Handedness
) -> xr.Dataset:
    """Add the way the body faces to a finished track, from the network's own.

    Adds `farther` (time, line) px and `body_size` (time) px; `line` names `LINES`.
    """
    seen = see_facing(body, view, handedness)
    track = track.assign_coords(line=list(LINES))
    return track.assign(
        farther=(("time", "line"), seen.farther_px, {"units": "px"}),
        body_size=(("time",), seen.size_px, {"units": "px"}),
    )


def _other_side(name: str) -> str:
    swap = {"left": "right", "right": "left"}
    return "_".join(swap.get(word, word) for word in name.split("_"))


def landmark_factor(view: View, name: str, phase: float) -> float:
    """How the error variance of a joint's centre at a position compares with its mean; 1: alike.

    Parameters
    ----------
    name : 'lead_shoulder'; points that the joint centres do not know, the club's too, give 1.
    phase : 0 at P1 to 9 at P10.
    """
    column = _column(name)
    if column is None:
        return 1.0
    said = float(_between(_table(view)["landmark_factor"][:, column], phase))
    return said if said > 1.0 else 1.0 + FACTOR_BELIEVED * (said - 1.0)


def _column(name: str) -> int | None:
    side, _, joint = name.partition("_")
    # The table is a right-hander's: left leads.
    body_side = {"lead": "left", "trail": "right"}.get(side, side)
    by_body = f"{body_side}_{joint}"
    return CORRECTED.index(by_body) if by_body in CORRECTED else None
