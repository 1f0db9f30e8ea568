"""One eye of one frame, made ready for matching, and how a patch's shape carries over between views."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autocal.geometry import ImageCircle, Lens
from autocal.geometry.lens import Array
from autocal.matching.contrast import DetectionImage, Luma, detection_image
from autocal.matching.patches import HALF_WINDOW, SmoothPicture, smooth_picture


@dataclass(frozen=True, eq=False)
class View:
    """One eye's picture in two forms: reduced for finding points, to be smoothed for measuring them."""

    detection: DetectionImage
    smooth: SmoothPicture
    lens: Lens


def prepare_view(luma: Luma, circle: ImageCircle, lens: Lens, spacing: int) -> View:
    """Prepare one eye's half (H, W), for patches with samples `spacing` px apart.

    Patches must fit in the circle: that sets the margin.
    """
    rim_px = (HALF_WINDOW + 2) * spacing
    return View(detection_image(luma, circle, rim_px), smooth_picture(luma, spacing), lens)


def predicted_shape(source: Lens, target: Lens, R: Array, pixel: Array) -> Array:
    """How a small patch of a far thing deforms, (n, 2, 2): target px per source px.

    R: (3, 3), source camera to target camera. pixel: (n, 2) in the source. Identity where the
    patch leaves the range of a lens.
    """
    columns = []
    for step in ((1.0, 0.0), (0.0, 1.0)):
        ahead = target.project(source.unproject(pixel + np.array(step)) @ R.T)
        behind = target.project(source.unproject(pixel - np.array(step)) @ R.T)
        columns.append((ahead - behind) / 2.0)
    shape = np.stack(columns, axis=-1)
    unknown = ~np.isfinite(shape).all(axis=(1, 2))
    shape[unknown] = np.eye(2)
    return shape
