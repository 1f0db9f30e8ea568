"""Smoothed pictures that may be sampled anywhere, and the patches cut from them.

Bilinear sampling of a raw picture pulls positions towards pixel centres. Here the picture is
first put on a grid finer than its smoothing: a Gaussian of 0.8 sample spacings interpolates a
ramp to parts in a million (its ripple is exp(-2 pi^2 0.8^2)), and what bilinear sampling on
half-spacing nodes adds is symmetric and small.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocal.geometry.lens import Array
from autocal.matching.contrast import Luma
from autocal.matching.sampling import sample_patches

#: Half a patch's side, in sample spacings; a border more is kept for the gradient.
HALF_WINDOW = 10
GRADIENT_BORDER = 2
SMOOTHING = 0.8  # Gaussian of the smoothed picture, in sample spacings
_WEIGHT_SIGMA = 6.0  # Gaussian weight over the patch, in sample spacings
#: Eyes of a larger circle than this (diameter, px) are sampled with a spacing of more than a pixel.
_FINEST_DIAMETER = 2600.0

WINDOW = 2 * HALF_WINDOW + 1
SAMPLES = WINDOW * WINDOW
STORED = WINDOW + 2 * GRADIENT_BORDER


@dataclass(frozen=True, eq=False)
class SmoothImage:
    """One eye's picture on nodes half a sample spacing apart.

    nodes: (h, w) float32, in 1/255 of the picture's range. spacing: full-resolution px between
    samples; node (0, 0) lies on pixel (0, 0), nodes are spacing / 2 apart.
    """

    nodes: NDArray[np.float32]
    spacing: float

    @property
    def nodes_per_px(self) -> float:
        """Nodes a full-resolution px."""
        return 2.0 / self.spacing


def sample_spacing(diameter_px: float) -> int:
    """Full-resolution px between the samples of a patch: 1, 2, 4, ... by the size of the circle."""
    spacing = 1
    while diameter_px / spacing > _FINEST_DIAMETER:
        spacing *= 2
    return spacing


def smooth_image(luma: Luma, spacing: int) -> SmoothImage:
    """Smooth one eye's half (H, W) for sampling every `spacing` px."""
    import cv2

    top = float(np.iinfo(luma.dtype).max)
    sigma = SMOOTHING * spacing
    if spacing == 1:
        nodes = _doubled(luma.astype(np.float32), sigma)
        nodes *= np.float32(255.0 / top)
    else:
        radius = int(np.ceil(4.0 * sigma))
        taps = _gaussian(np.arange(-radius, radius + 1), sigma)
        # OpenCV filters bytes faster than floats made of them, but not 16-bit samples.
        source = luma if luma.dtype == np.uint8 else luma.astype(np.float32)
        to_255 = taps * (255.0 / top)
        smoothed = cv2.sepFilter2D(source, cv2.CV_32F, taps, to_255, borderType=cv2.BORDER_REPLICATE)
        nodes = np.ascontiguousarray(smoothed[:: spacing // 2, :: spacing // 2], dtype=np.float32)
    return SmoothImage(nodes, float(spacing))


def _doubled(picture: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """The picture smoothed, on nodes half a pixel apart; node (2 i, 2 j) is pixel (i, j)."""
    import cv2

    radius = int(np.ceil(4.0 * sigma))
    at_pixel = _gaussian(np.arange(-radius, radius + 1), sigma)
    between = _gaussian(np.arange(-radius + 1, radius + 1) - 0.5, sigma)  # nodes at x + 1/2
    height, width = picture.shape
    out = np.empty((2 * height, 2 * width), np.float32)
    for row, taps_y in enumerate((at_pixel, between)):
        for column, taps_x in enumerate((at_pixel, between)):
            anchor = (radius - column, radius - row)
            if column:
                anchor = (radius - 1, anchor[1])
            if row:
                anchor = (anchor[0], radius - 1)
            out[row::2, column::2] = cv2.sepFilter2D(
                picture, cv2.CV_32F, taps_x, taps_y, anchor=anchor, borderType=cv2.BORDER_REPLICATE
            )
    return out


def _gaussian(offset: ArrayLike, sigma: float) -> Array:
    taps = np.exp(-0.5 * (np.asarray(offset, dtype=np.float64) / sigma) ** 2)
    return taps / taps.sum()


def cut_patches(image: SmoothImage, pixel: Array) -> NDArray[np.float16]:
    """Patches (n, STORED, STORED) about full-resolution pixels (n, 2), each less its mean."""
    values = np.empty((len(pixel), STORED * STORED), np.float32)
    places = np.ascontiguousarray(pixel, dtype=np.float64) * image.nodes_per_px
    sample_patches(image.nodes, places, np.eye(2), STORED, values)
    values -= values.mean(axis=1, keepdims=True)
    return values.reshape(-1, STORED, STORED).astype(np.float16)


def window_weights() -> Array:
    """Weights (SAMPLES,) of a patch's samples, 1 at the centre."""
    steps = np.arange(WINDOW) - (WINDOW - 1) / 2
    return np.exp(-0.5 * np.add.outer(steps**2, steps**2).ravel() / _WEIGHT_SIGMA**2)


def noise_taps() -> Array:
    """The smoothing Gaussian (taps,) as seen by samples one spacing apart, unit sum."""
    return _gaussian(np.arange(-3, 4), SMOOTHING)
