"""Build a body track from what the network saw, and keep it in a file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr

from lessonmark import __version__
from lessonmark.media.clip import ClipInfo
from lessonmark.tracks.body import BodyTrackRaw
from lessonmark.tracks.schema import BODY_KEYPOINTS, SCHEMA_VERSION, SPACE
from lessonmark.tracks.smoother import cutoff_hz, smooth_path
from lessonmark.words import Handedness, View

__all__ = ["body_dataset", "read_track", "write_track"]

_LOOKS_MIN = 4  # fewer cannot tell noise from movement


def body_dataset(
    raw: BodyTrackRaw, *, clip: ClipInfo, view: View, handedness: Handedness
) -> xr.Dataset:
    """Smooth the network's looks into a track on every frame's time.

    Returns
    -------
    A dataset laid out as `schema` says, with the network's left and right names.

    Raises
    ------
    ValueError : fewer than four looks.
    """
    if len(raw.looks) < _LOOKS_MIN:
        raise ValueError(f"a track needs at least {_LOOKS_MIN} looks, got {len(raw.looks)}")
    times = np.asarray(raw.times)
    seen = np.array([look.index for look in raw.looks])
    position = np.array([look.landmarks.position for look in raw.looks])
    spread = np.array([look.landmarks.spread for look in raw.looks])
    visibility = np.array([look.landmarks.visibility for look in raw.looks])
    depth = np.array([look.landmarks.depth for look in raw.looks])
    count, points = len(times), len(BODY_KEYPOINTS)
    smooth = np.empty((count, 2, points))
    velocity = np.empty((count, 2, points))
    covariance = np.empty((count, 2, 2, points))
    for k, name in enumerate(BODY_KEYPOINTS):
        path = smooth_path(
            times, seen, position[:, k], spread[:, k], cutoff=cutoff_hz(name, clip.fps_filmed)
        )
        smooth[:, :, k], velocity[:, :, k] = path.position, path.velocity
        covariance[:, :, :, k] = path.covariance
    every = [np.interp(times, times[seen], visibility[:, k]) for k in range(points)]
    deep = [np.interp(times, times[seen], depth[:, k]) for k in range(points)]
    looked = np.zeros(count, np.int8)
    looked[seen] = 1
    return xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), smooth, {"units": "px"}),
            "position_cov": (
                ("time", "space", "space_other", "keypoint"),
                covariance,
                {"units": "px^2"},
            ),
            "velocity": (("time", "space", "keypoint"), velocity, {"units": "px/s"}),
            "visibility": (("time", "keypoint"), np.stack(every, axis=-1)),
            "depth": (("time", "keypoint"), np.stack(deep, axis=-1), {"units": "px"}),
            "looked_at": (("time",), looked),
        },
        coords={
            "time": times,
            "space": list(SPACE),
            "space_other": list(SPACE),
            "keypoint": list(BODY_KEYPOINTS),
        },
        attrs={
            "schema_version": SCHEMA_VERSION,
            "source_software": f"lessonmark {__version__}",
            "ds_type": "poses",
            "fps": clip.fps_filmed,
            "time_unit": "seconds",
            "view": str(view),
            "handedness": str(handedness),
            "width": clip.width,
            "height": clip.height,
            "people": raw.people,
        },
    )


def write_track(track: xr.Dataset, path: Path) -> None:
    """Write a track as netCDF-4, whole or not at all."""
    unfinished = path.with_name(path.name + ".part")
    track.to_netcdf(
        unfinished,
        engine="h5netcdf",
        encoding={
            str(name): {"zlib": True, "complevel": 4, "dtype": "float32"}
            for name, variable in track.data_vars.items()
            if variable.dtype.kind == "f"
        },
    )
    unfinished.replace(path)


def read_track(path: Path) -> xr.Dataset:
    """Read a track that `write_track` wrote, into memory.

    Raises
    ------
    ValueError : it was written under another schema version.
    """
    with xr.open_dataset(path, engine="h5netcdf") as opened:
        track = opened.load()
    if int(track.attrs.get("schema_version", 0)) != SCHEMA_VERSION:
        raise ValueError(f"{path.name} has another track layout; measure the clip again")
    return track
