"""One eye of one frame, made ready for matching, and how a patch's shape carries over between views."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from autocal.geometry import ImageCircle, Lens
from autocal.geometry.lens import Array
from autocal.matching.contrast import DetectionImage, Luma, detection_image
from autocal.matching.patches import HALF_WINDOW, SmoothPicture, smooth_picture

_WARP_STEP = 2.0  # px, of finite differences


class Frame(Protocol):
    """What is needed of a frame: two (H, W) luma pictures, uint8 or uint16, as they are and smaller."""

    @property
    def halves(self) -> tuple[Luma, Luma]:
        """The left and the right half."""
        ...

    @property
    def reduced(self) -> tuple[Luma, Luma]:
        """Both, averaged down by halves."""
        ...


@dataclass(frozen=True, eq=False)
class View:
    """One eye's picture in two forms: reduced for finding points, to be smoothed for measuring them."""

    detection: DetectionImage
    smooth: SmoothPicture
    lens: Lens


def prepare_view(
    luma: Luma, circle: ImageCircle, lens: Lens, spacing: int, reduced: Luma | None = None
) -> View:
    """Prepare one eye's half (H, W), for patches with samples `spacing` px apart.

    reduced: the half averaged down by halves, if that was done already.
    Patches must fit in the circle: that sets the margin.
    """
    rim_px = (HALF_WINDOW + 2) * spacing
    return View(detection_image(luma, circle, rim_px, reduced), smooth_picture(luma, spacing), lens)


def predicted_warp(source: Lens, target: Lens, R: Array, pixel: Array) -> tuple[Array, Array]:
    """How a patch of a far thing deforms: its shape (n, 2, 2), target px per source px, and its bend (n, 2),
    the sum of the second derivatives along x and y, target px per source px^2.

    R: (3, 3), source camera to target camera. pixel: (n, 2) in the source. Identity and no bend where
    the patch leaves the range of a lens.
    """

    def carried(x: float, y: float) -> Array:
        return target.project(source.unproject(pixel + np.array([x, y])) @ R.T)

    step = _WARP_STEP
    left, right, up, down = carried(-step, 0), carried(step, 0), carried(0, -step), carried(0, step)
    shape = np.stack([right - left, down - up], axis=-1) / (2 * step)
    bend = (left + right + up + down - 4 * carried(0, 0)) / step**2
    unknown = ~np.isfinite(bend).all(axis=1)
    shape[unknown], bend[unknown] = np.eye(2), 0.0
    return shape, bend
