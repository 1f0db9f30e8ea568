"""How finely patches are sampled: as finely as the noise of the footage allows.

Samples further apart are smoothed more and their patches are larger: noise hides less of them, but
they take in more of what lies at other distances.
"""

from __future__ import annotations

import numpy as np

from autocal.geometry.lens import Array
from autocal.matches import LEFT, RIGHT
from autocal.matching.patches import cut_patches, smooth_picture
from autocal.matching.refine import align
from autocal.matching.views import View, predicted_warp

_MOST = 0.8  # of the pairs: where so many are found, noise is no hindrance
_PAYS = 1.35  # how many more must be found by samples twice as far apart


def spacing_for_noise(views: tuple[View, View], left: Array, right: Array, R: Array) -> int:
    """Full-resolution px between the samples of patches: as in the views, or twice as many.

    left, right: (n, 2), full-resolution px, of points that match between the eyes. R: (3, 3), left camera
    to right camera.
    """
    shape, _ = predicted_warp(views[LEFT].lens, views[RIGHT].lens, R, left)

    def found(spacing: int) -> int:
        one, other = (smooth_picture(view.smooth.luma, spacing) for view in views)
        return int(np.count_nonzero(align(cut_patches(one, left), other, right, shape).good))

    spacing = views[LEFT].smooth.spacing
    finest = found(spacing)
    if finest >= _MOST * len(left) or found(2 * spacing) <= _PAYS * finest:
        return spacing
    return 2 * spacing
