"""Where the hands hold the club, and how large the club must look, from the body track."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from lessonmark.tracks.club_path import Limb

__all__ = ["Hands", "find_hands", "guess_px_per_cm"]

Array = npt.NDArray[np.float64]

SIDES = ("left", "right")
# A grip lies in the fingers: nearer the knuckles than the wrist. Share of the way from wrist to
# knuckles; common practice, no source.
INTO_HAND = 0.7
# A hand that is hidden is guessed by the network: it counts by its visibility, never not at all.
LEAST_WEIGHT = 0.05
# Ear to ankle, standing bent over a ball: 0.90 of stature between these heights (Drillis and
# Contini 1966 as in Winter 2009, fig. 4.1, eye 0.936 and ankle 0.039), shortened by a tenth by
# the bend, on a stature of 174 cm. Common practice for the bend, no source.
EAR_TO_ANKLE_CM = 0.90 * 0.90 * 174.0
HANDS_SD_CM = 1.5  # of the hands' middle along the grip, whatever the network's own error


@dataclass(frozen=True, kw_only=True)
class Hands:
    """The middle of both hands at each time, picture px."""

    position: Array  # (time, 2)
    velocity: Array  # (time, 2) px/s
    variance: Array  # (time,) px^2, a coordinate
    joints: tuple[Array, ...]  # (time, 2) each: elbows and shoulders

    def limbs(self, scale: float) -> tuple[Limb, ...]:
        """Return the arms as they run from the hands, lengths times `scale`."""
        gaps = [(joint - self.position) * scale for joint in self.joints]
        return tuple(
            Limb(angle=np.arctan2(gap[:, 1], gap[:, 0]), reach=np.hypot(gap[:, 0], gap[:, 1]))
            for gap in gaps
        )


def find_hands(body: xr.Dataset, *, px_per_cm: float) -> Hands:
    """Find the middle of the hands on the club, from wrists and knuckles of both sides.

    Parameters
    ----------
    body : a body track (see `schema`), any span of it.
    px_per_cm : picture px a centimetre.
    """
    place = body["position"].transpose("time", "space", "keypoint")
    speed = body["velocity"].transpose("time", "space", "keypoint")
    spread = body["position_cov"].transpose("time", "space", "space_other", "keypoint")
    total = np.zeros((body.sizes["time"], 2))
    moving = np.zeros_like(total)
    variance = np.zeros(len(total))
    weights = np.zeros(len(total))
    for side in SIDES:
        wrist = place.sel(keypoint=f"{side}_wrist").to_numpy()
        knuckles = place.sel(keypoint=[f"{side}_index", f"{side}_pinky"]).to_numpy().mean(axis=2)
        velocity = speed.sel(keypoint=f"{side}_wrist").to_numpy()
        own = spread.sel(keypoint=f"{side}_wrist").to_numpy()
        error = 0.5 * (own[:, 0, 0] + own[:, 1, 1])
        visible = body["visibility"].sel(keypoint=f"{side}_wrist").to_numpy()
        weight = np.clip(np.nan_to_num(visible, nan=0.0), LEAST_WEIGHT, 1.0)
        total += weight[:, None] * (wrist + INTO_HAND * (knuckles - wrist))
        moving += weight[:, None] * velocity
        variance += weight**2 * error
        weights += weight
    joints = tuple(
        place.sel(keypoint=f"{side}_{joint}").to_numpy()
        for side in SIDES
        for joint in ("elbow", "shoulder")
    )
    return Hands(
        position=total / weights[:, None],
        velocity=moving / weights[:, None],
        variance=variance / weights**2 + (HANDS_SD_CM * px_per_cm) ** 2,
        joints=joints,
    )


def guess_px_per_cm(body: xr.Dataset) -> float:
    """Guess the picture's scale from the golfer's height, for an ordinary stature.

    Good to about a sixth: enough to know how far a club can reach, not for measuring lengths.
    """
    place = body["position"].sel(space="y")
    ears = place.sel(keypoint=["left_ear", "right_ear"]).mean("keypoint")
    ankles = place.sel(keypoint=["left_ankle", "right_ankle"]).mean("keypoint")
    return float(np.nanmedian((ankles - ears).to_numpy())) / EAR_TO_ANKLE_CM
