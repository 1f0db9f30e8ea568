"""Remapping, plain and slow: the definition that the fast kernels are tested against."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.render.filters import FilterName, named_filter, tap_weights, width_of_scale
from autocal.render.plan import level_size, levels_needed, local_scale

Float32 = NDArray[np.float32]


def remap_plain(
    source: NDArray[np.generic], x: Float32, y: Float32, name: FilterName, fill: float = 0.0
) -> Array:
    """The remapped plane (height, width) in float64, neither rounded nor clipped.

    source: (h, w); x, y: (height, width) source positions, NaN where there is no picture. Positions and
    weights come from the filters' formulas, not from tables.
    """
    taps = named_filter(name).taps
    scale_x, scale_y = local_scale(x), local_scale(y)
    level = levels_needed(scale_x, scale_y, (source.shape[1], source.shape[0]))
    pyramid = [halved(source.astype(np.float64), n) for n in range(int(level.max()) + 1)]
    result = np.full(x.shape, fill, dtype=np.float64)
    for row, column in np.argwhere(np.isfinite(x) & np.isfinite(y)):
        n = int(level[row, column])
        picture = pyramid[n]
        scales = (float(scale_x[row, column]) / 2**n, float(scale_y[row, column]) / 2**n)
        at = [(float(p[row, column]) + 0.5) / 2**n - 0.5 for p in (x, y)]
        columns, weights_x = _weights(at[0], scales[0], name, taps)
        rows, weights_y = _weights(at[1], scales[1], name, taps)
        height, width = picture.shape
        patch = picture[np.clip(rows, 0, height - 1)][:, np.clip(columns, 0, width - 1)]
        result[row, column] = weights_y @ patch @ weights_x
    return result


def halved(picture: Array, times: int) -> Array:
    """A plane halved `times` times, each pixel the mean of four."""
    for _ in range(times):
        width, height = level_size((picture.shape[1], picture.shape[0]), 1)
        even = picture[: 2 * height, : 2 * width]
        picture = even.reshape(height, 2, width, 2).mean(axis=(1, 3))
    return picture


def _weights(at: float, scale: float, name: FilterName, taps: int) -> tuple[NDArray[np.int64], Array]:
    pixel = int(np.floor(at))
    positions = pixel - (taps // 2 - 1) + np.arange(taps)
    return positions, tap_weights(name, at - pixel, int(width_of_scale(scale)))
