"""How far the camera moved between two pictures, from what stands still behind the golfer."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

__all__ = ["Movement", "register"]

Grey = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

FEATURES = 1500
LEAST_MATCHES = 12
RATIO = 0.8  # Lowe 2004, sec. 7.1: nearest over second-nearest distance of a true match
RANSAC_PX = 2.0


@dataclass(frozen=True, kw_only=True)
class Movement:
    """The second picture's background against the first's, at the picture's middle."""

    right_px: float  # + the background moved to the image's right
    down_px: float
    turn_deg: float  # + clockwise
    zoom: float  # 1: same size
    matches: int  # features that agree
    se_px: float  # of the shift

    @property
    def shift_px(self) -> float:
        """Length of the shift, px."""
        return math.hypot(self.right_px, self.down_px)


def register(first: Grey, second: Grey, golfer_first: Mask, golfer_second: Mask) -> Movement | None:
    """Find how the background moved between two pictures; None where too little of it is seen.

    Parameters
    ----------
    first, second : (height, width), same size.
    golfer_first, golfer_second : True where the golfer is: not looked at.
    """
    if first.shape != second.shape:
        return None
    finder = cv2.ORB.create(nfeatures=FEATURES, fastThreshold=7)
    seen = [
        finder.detectAndCompute(picture, (~golfer).astype(np.uint8) * 255)
        for picture, golfer in ((first, golfer_first), (second, golfer_second))
    ]
    if any(descriptors is None or len(points) < LEAST_MATCHES for points, descriptors in seen):
        return None
    pairs = cv2.BFMatcher(cv2.NORM_HAMMING).knnMatch(seen[0][1], seen[1][1], k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < RATIO * p[1].distance]
    if len(good) < LEAST_MATCHES:
        return None
    a = np.array([seen[0][0][m.queryIdx].pt for m in good])
    b = np.array([seen[1][0][m.trainIdx].pt for m in good])
    matrix, inliers = cv2.estimateAffinePartial2D(
        a, b, method=cv2.RANSAC, ransacReprojThreshold=RANSAC_PX, maxIters=2000, confidence=0.999
    )
    if matrix is None or int(inliers.sum()) < LEAST_MATCHES:
        return None
    agree = inliers.ravel().astype(bool)
    middle = np.array([first.shape[1] / 2, first.shape[0] / 2])
    shift = matrix[:, :2] @ middle + matrix[:, 2] - middle
    left = a[agree] @ matrix[:, :2].T + matrix[:, 2] - b[agree]
    return Movement(
        right_px=float(shift[0]),
        down_px=float(shift[1]),
        turn_deg=math.degrees(math.atan2(matrix[1, 0], matrix[0, 0])),
        zoom=float(np.hypot(matrix[0, 0], matrix[1, 0])),
        matches=int(agree.sum()),
        se_px=float(np.sqrt((left**2).sum(1).mean() / agree.sum())) + 0.05,
    )
