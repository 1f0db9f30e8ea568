"""Pictures that may be sampled anywhere, smoothed, and the patches cut from them.

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
HALF_WINDOW = 8
GRADIENT_BORDER = 2
SMOOTHING = 0.8  # Gaussian of the smoothed picture, in sample spacings
_WEIGHT_SIGMA = 6.0  # Gaussian weight over the patch, in sample spacings
#: Eyes of a larger circle than this (diameter, px) are sampled with a spacing of more than a pixel.
_FINEST_DIAMETER = 2600.0

WINDOW = 2 * HALF_WINDOW + 1
SAMPLES = WINDOW * WINDOW
STORED = WINDOW + 2 * GRADIENT_BORDER


@dataclass(frozen=True, eq=False)
class SmoothPicture:
    """One eye's picture on nodes half a sample spacing apart, each smoothed when it is looked at.

    luma: (H, W). taps, step: as `autocal.matching.sampling` has them; the smoothed values are in 1/255 of
    the picture's range. spacing: full-resolution px between samples.
    """

    luma: Luma
    taps: NDArray[np.float32]
    step: int
    spacing: int


def sample_spacing(diameter_px: float) -> int:
    """Full-resolution px between the samples of a patch: 1, 2, 4, ... by the size of the circle."""
    spacing = 1
    while diameter_px / spacing > _FINEST_DIAMETER:
        spacing *= 2
    return spacing


def smooth_picture(luma: Luma, spacing: int) -> SmoothPicture:
    """One eye's half (H, W), to be sampled every `spacing` px."""
    sigma = SMOOTHING * spacing
    radius = int(np.ceil(4.0 * sigma))
    offset = np.arange(-radius, radius + 1)
    # Nodes half a pixel apart lie on pixels and between two; the sum over the plane is 255 for full white.
    places = (offset, offset - 0.5) if spacing == 1 else (offset,)
    scale = np.sqrt(255.0 / float(np.iinfo(luma.dtype).max))
    taps = np.stack([scale * _gaussian(place, sigma) for place in places]).astype(np.float32)
    return SmoothPicture(np.ascontiguousarray(luma), taps, max(1, spacing // 2), spacing)


def _gaussian(offset: ArrayLike, sigma: float) -> Array:
    taps = np.exp(-0.5 * (np.asarray(offset, dtype=np.float64) / sigma) ** 2)
    return taps / taps.sum()


def cut_patches(picture: SmoothPicture, pixel: Array) -> NDArray[np.float16]:
    """Patches (n, STORED, STORED) about full-resolution pixels (n, 2), each less its mean."""
    values = np.empty((len(pixel), STORED * STORED), np.float32)
    places = np.ascontiguousarray(pixel, dtype=np.float64)
    sample_patches(picture.luma, picture.taps, picture.step, places, np.eye(2), STORED, values)
    values -= values.mean(axis=1, keepdims=True)
    return values.reshape(-1, STORED, STORED).astype(np.float16)


def window_weights() -> Array:
    """Weights (SAMPLES,) of a patch's samples, 1 at the centre."""
    steps = np.arange(WINDOW) - (WINDOW - 1) / 2
    return np.exp(-0.5 * np.add.outer(steps**2, steps**2).ravel() / _WEIGHT_SIGMA**2)


def sample_spread() -> float:
    """The weighted mean square, along x or y, of how far from a patch's centre is what its samples show, in
    squares of their spacing."""
    weights = window_weights().reshape(WINDOW, WINDOW).sum(axis=0)
    return float(np.average((np.arange(WINDOW) - HALF_WINDOW) ** 2, weights=weights)) + SMOOTHING**2


def noise_taps() -> Array:
    """The smoothing Gaussian (taps,) as seen by samples one spacing apart, unit sum."""
    return _gaussian(np.arange(-3, 4), SMOOTHING)
