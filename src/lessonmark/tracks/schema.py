"""The layout of a track file: names, dims, units and attributes.

A track is an `xarray.Dataset` with dims ``(time, space, keypoint)``, the layout that general
pose-tracking libraries read and write. Pixels: x to the right, y down, (0, 0) at the outer corner
of the top-left pixel, so that the first pixel's centre is (0.5, 0.5). Time: seconds on the clip's
own clock, slow motion undone.

Variables of a body track
    position        (time, space, keypoint)                 px, smoothed
    position_cov    (time, space, space_other, keypoint)    px^2, error of `position`
    velocity        (time, space, keypoint)                 px/s
    visibility      (time, keypoint)                        0 to 1, the network's own word
Keypoints of a body track are the network's, by body side (`left_shoulder`); `sides.by_lead_trail`
renames them (`lead_shoulder`) and adds the middles (`mid_hip`, `mid_shoulder`, `mid_ear`).

Variables that the club adds, on the same time axis
    keypoints `grip_butt`, `grip_mid`, `clubhead` (with position, covariance and velocity as above)
    shaft_angle     (time)    rad, direction grip to head in the image, atan2(-dy, dx): 0 = image
                              right, + counter-clockwise, unwrapped over the swing
    shaft_angle_se  (time)    rad
    shaft_rate      (time)    rad/s
    shaft_seen      (time)    1 seen in this frame, 0 predicted from its neighbours
"""

from __future__ import annotations

__all__ = [
    "BODY_KEYPOINTS",
    "CLUB_KEYPOINTS",
    "SCHEMA_VERSION",
    "SPACE",
]

SCHEMA_VERSION = 1
SPACE = ("x", "y")

# The order of the pose network's first 33 outputs (BlazePose topology, Bazarevsky et al. 2020,
# arXiv 2006.10204, fig. 3).
BODY_KEYPOINTS = (
    "nose",
    "left_eye_inner",
    "left_eye",
    "left_eye_outer",
    "right_eye_inner",
    "right_eye",
    "right_eye_outer",
    "left_ear",
    "right_ear",
    "mouth_left",
    "mouth_right",
    "left_shoulder",
    "right_shoulder",
    "left_elbow",
    "right_elbow",
    "left_wrist",
    "right_wrist",
    "left_pinky",
    "right_pinky",
    "left_index",
    "right_index",
    "left_thumb",
    "right_thumb",
    "left_hip",
    "right_hip",
    "left_knee",
    "right_knee",
    "left_ankle",
    "right_ankle",
    "left_heel",
    "right_heel",
    "left_foot_index",
    "right_foot_index",
)

# Lines of the body whose depth is told: lead against trail side, shoulders against hips.
DEPTH_LINES = ("shoulder", "hip", "trunk")

CLUB_KEYPOINTS = ("grip_butt", "grip_mid", "clubhead")
