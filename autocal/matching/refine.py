"""Sub-pixel positions: a stored patch laid over a picture, with affine shape, gain and offset.

Inverse compositional alignment (Baker and Matthews, IJCV 56(3), 2004, sec. 3.2): the patch's
gradients stay, the picture is resampled. In every step the resampled picture is explained,
by weighted least squares, as gain * patch + gain * gradient . (shift + shape) + offset.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.matching.patches import SmoothPicture, noise_taps, sample_spread, window_weights
from autocal.matching.refine_kernel import (
    CORRELATION,
    COVARIANCE,
    GAIN,
    LEAST_GAIN,
    MOVED,
    PLACE,
    RESULTS,
    SHAPE,
    align_patches,
)

_CHUNK = 256  # patches unpacked at a time
_LEAST_CORRELATION = 0.85
_FURTHEST = 3.5  # sample spacings from where the search began
_AT_REST = 0.05  # sample spacings: the last step of one that was found
_LARGEST_SIGMA = 0.35  # sample spacings
_MOST_STRETCHED_ERROR = 4.0  # along over across, of the error ellipse
_MOST_STRETCHED = 2.0


@dataclass(frozen=True, eq=False)
class Alignment:
    """Where patches were found.

    pixel: (n, 2), full resolution. shape: (n, 2, 2), picture offsets per patch offset.
    sigma_px: (n,), per coordinate, of one of the two sights, by noise alone. correlation: (n,), weighted.
    good: (n,), whether to believe it.
    """

    pixel: Array
    shape: Array
    sigma_px: Array
    correlation: Array
    good: NDArray[np.bool_]


def align(
    patches: NDArray[np.float16],
    picture: SmoothPicture,
    pixel: Array,
    shape: Array,
    bend: Array | None = None,
) -> Alignment:
    """Find patches (n, STORED, STORED) in a picture, from `pixel` (n, 2) and `shape` (n, 2, 2).

    bend: (n, 2), sum of the second derivatives, along x and y, of the way that picture px lie over px of the
    patch's own picture. Patches are laid over the picture as if there were none, and so come to lie off by
    the mean of what it moves them by, half the bend times their spread; that is taken off again.
    """
    pixel, shape = (np.ascontiguousarray(start, dtype=np.float64) for start in (pixel, shape))
    found = np.empty((len(patches), RESULTS))
    weights, taps = (values.astype(np.float32) for values in (window_weights(), noise_taps()))
    for first in range(0, len(patches), _CHUNK):
        rows = slice(first, first + _CHUNK)
        align_patches(
            patches[rows].astype(np.float32),
            picture.luma,
            picture.taps,
            picture.step,
            pixel[rows],
            shape[rows],
            _FURTHEST * picture.spacing,
            weights,
            taps,
            found[rows],
        )
    alignment = _judged(found, pixel, picture.spacing)
    if bend is None:
        return alignment
    off = 0.5 * sample_spread() * picture.spacing**2 * bend
    return replace(alignment, pixel=alignment.pixel - off)


def _judged(found: Array, start: Array, spacing: float) -> Alignment:
    """What was found (n, RESULTS), what it means for the position, and whether the patch is there at all."""
    place, form = found[:, PLACE], found[:, SHAPE].reshape(-1, 2, 2)
    xx, xy, yy = found[:, COVARIANCE].T / np.maximum(found[:, GAIN], LEAST_GAIN) ** 2
    covariance = np.stack([xx, xy, xy, yy], axis=1).reshape(-1, 2, 2)
    in_picture = form @ covariance @ form.transpose(0, 2, 1)
    roots = np.sqrt(np.maximum(np.linalg.eigvalsh(in_picture), 1e-12))
    sigma = np.sqrt((roots**2).mean(axis=1))
    stretch = np.linalg.svd(form, compute_uv=False)
    good = (
        (found[:, CORRELATION] > _LEAST_CORRELATION)
        & (np.linalg.norm(place - start, axis=1) < _FURTHEST * spacing)
        & (found[:, MOVED] < _AT_REST)
        & (sigma < _LARGEST_SIGMA)
        & (roots[:, 1] < _MOST_STRETCHED_ERROR * roots[:, 0])
        & (stretch[:, 0] < _MOST_STRETCHED)
        & (stretch[:, 1] > 1 / _MOST_STRETCHED)
    )
    return Alignment(place, form, spacing * sigma, found[:, CORRELATION], good)
