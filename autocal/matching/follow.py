"""Points carried from one picture to the next when little moves.

Pyramidal Lucas-Kanade (Bouguet, 2000) on pictures of even contrast, there and back: a point
that does not return to where it came from is lost.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.matching.contrast import Bytes, DetectionImage, Floats

_WINDOW = (13, 13)
_LEVELS = 4
_RETURN_PX = 0.7  # reduced px
_AT_REST_PX, _STEPS = 0.1, 10  # reduced px: what was followed is measured on the picture itself afterwards


def follow(earlier: DetectionImage, later: DetectionImage, pixel: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Full-resolution pixels (n, 2) in the later picture of those in the earlier, and which to trust."""
    import cv2

    if not len(pixel):
        return np.zeros((0, 2)), np.zeros(0, dtype=bool)
    start = earlier.reduced_from_full(pixel).astype(np.float32)[:, None, :]
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, _STEPS, _AT_REST_PX)

    def carry(one: Bytes, other: Bytes, at: Floats) -> tuple[Floats, Bytes]:
        carried, found, _ = cv2.calcOpticalFlowPyrLK(
            one, other, at, None, winSize=_WINDOW, maxLevel=_LEVELS, criteria=criteria
        )
        return carried.astype(np.float32), found.astype(np.uint8)

    there, found = carry(earlier.pixels, later.pixels, start)
    back, returned = carry(later.pixels, earlier.pixels, there)
    near = np.linalg.norm(back - start, axis=2)[:, 0] < _RETURN_PX
    kept = (found[:, 0] > 0) & (returned[:, 0] > 0) & near
    return later.full_from_reduced(there[:, 0, :]), kept
