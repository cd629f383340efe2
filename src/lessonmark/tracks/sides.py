"""Rename body sides to lead and trail, and add the middles that measures speak of."""

from __future__ import annotations

import xarray as xr

from lessonmark.words import Handedness

__all__ = ["MIDDLES", "by_lead_trail"]

MIDDLES = {
    "mid_shoulder": ("lead_shoulder", "trail_shoulder"),
    "mid_hip": ("lead_hip", "trail_hip"),
    "mid_ear": ("lead_ear", "trail_ear"),
    "mid_wrist": ("lead_wrist", "trail_wrist"),
    "mid_ankle": ("lead_ankle", "trail_ankle"),
}

# How the errors of a middle's two ends go together, seen in the joint centres' residuals on
# rendered bodies (bench/landmarks.py): shoulders swap their errors, hips share them.
_CORRELATION = {"mid_shoulder": -0.3, "mid_hip": 0.5}


def by_lead_trail(track: xr.Dataset, handedness: Handedness) -> xr.Dataset:
    """Rename `left_`/`right_` keypoints to `lead_`/`trail_` and append the middles.

    A middle's covariance is a quarter of its ends' sum, and more or less where their errors go
    together. Keypoints without a side, the club's among them, keep their names.
    """
    side = {handedness.lead: "lead", handedness.trail: "trail"}

    def renamed(name: str) -> str:
        for body_side, role in side.items():
            if name.startswith(f"{body_side}_"):
                return f"{role}_{name.removeprefix(body_side + '_')}"
            if name.endswith(f"_{body_side}"):
                return f"{role}_{name.removesuffix('_' + body_side)}"
        return name

    names = [renamed(str(name)) for name in track["keypoint"].values]
    track = track.assign_coords(keypoint=names)
    track.attrs["handedness"] = str(handedness)
    added = []
    for middle, (one, other) in MIDDLES.items():
        if middle in names:
            continue
        both = track[[str(v) for v in track.data_vars if "keypoint" in track[v].dims]].sel(
            keypoint=[one, other]
        )
        point = both.mean("keypoint")
        for name in both.data_vars:
            # Variances of a mean of two, not the mean of the variances.
            if str(name).endswith(("_cov", "_systematic")):
                shared = 1 + _CORRELATION.get(middle, 0.0)
                point[name] = shared * both[name].sum("keypoint") / 4
        point["visibility"] = both["visibility"].min("keypoint")
        added.append(point.expand_dims(keypoint=[middle]))
    if not added:
        return track
    whole = [v for v in track.data_vars if "keypoint" in track[v].dims]
    joined = xr.concat([track[whole], *added], dim="keypoint")
    rest = track.drop_vars([*whole, "keypoint"])
    joined = joined.merge(rest, combine_attrs="override")
    joined.attrs = dict(track.attrs)
    return joined.transpose("time", "space", "space_other", "keypoint", ...)
