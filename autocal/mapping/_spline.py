"""Fast evaluation of a smooth function on every pixel of a view.

Where a lens images a direction changes so smoothly that a quintic spline through every
sixty-fourth pixel of a 4096 px view gives it to a millionth of a pixel. On a uniform grid
all pixels of a cell share one small table of B-spline weights, so the whole view is a few
thin matrix products (de Boor, A Practical Guide to Splines, 1978, ch. IX and XVII).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from math import comb, factorial

import numpy as np

from autocal.geometry.lens import Array

_DEGREE = 5
_ORDER = _DEGREE + 1
#: Values of the uniform B-splines at their inner knots.
_AT_NODES = np.array([1, 26, 66, 26, 1]) / factorial(_DEGREE)
#: Samples beyond the view on every side, so that only uniform B-splines touch it (eight would do).
_PADDING = 9
#: A view is cut into about this many cells in each direction.
_CELLS = 64
#: Below this the padding would reach too far around the sphere, and there is nothing to save.
SMALLEST_SIDE = 512


@dataclass(frozen=True, eq=False)
class PixelSpline:
    """Quintic tensor-product spline of `channels` functions over a view of (width, height) px.

    coefficients: (channels, rows, columns) of uniform B-splines; step: (columns, rows) px a cell.
    """

    size: tuple[int, int]
    step: tuple[int, int]
    coefficients: Array

    def values(self, rows: slice, out: Array | None = None) -> Array:
        """The functions (rows, channels, width) on the pixels of some rows.

        out: memory to work in, of `scratch(rows)` or more; what is returned is a view of it.
        """
        step_x, step_y = self.step
        row = np.arange(rows.start, rows.stop)
        cell = row // step_y + _PADDING - 2
        near = self.coefficients[:, cell[:, None] + np.arange(_ORDER)]  # (channels, rows, 6, columns)
        across = np.einsum("rq,crqn->rcn", _uniform_weights(step_y)[row % step_y], near)
        windows = np.lib.stride_tricks.sliding_window_view(across, _ORDER, axis=2)
        windows = windows[:, :, _PADDING - 2 : _PADDING - 2 + self._columns]  # (rows, channels, cells, 6)
        out = self.scratch(len(row)) if out is None else out[: len(row)]
        np.matmul(windows, _uniform_weights(step_x).T, out=out)
        return out.reshape(*out.shape[:2], -1)[..., : self.size[0]]

    def scratch(self, rows: int) -> Array:
        """Memory for `values` of that many rows."""
        return np.empty((rows, len(self.coefficients), self._columns, self.step[0]))

    @property
    def _columns(self) -> int:
        return -(-self.size[0] // self.step[0])


def pixel_spline(function: Callable[[Array, Array], Array], size: tuple[int, int]) -> PixelSpline:
    """The spline through samples of a function of pixel positions.

    function: takes x (columns,) and y (rows,), px, also outside the view, and returns
    (rows, columns, channels). size: (width, height), each at least SMALLEST_SIDE.
    """
    step = (size[0] // _CELLS, size[1] // _CELLS)
    x, y = (
        np.arange(-_PADDING, -(-side // each) + 1 + _PADDING, dtype=np.float64) * each
        for side, each in zip(size, step, strict=True)
    )
    samples = np.moveaxis(function(x, y), -1, 0)
    for axis in (1, 2):
        samples = np.moveaxis(_coefficients(np.moveaxis(samples, axis, 0)), 0, axis)
    return PixelSpline(size, step, np.ascontiguousarray(samples))


def _coefficients(samples: Array) -> Array:
    """Of the uniform B-splines centred at the samples (n, ...), whose spline goes through all of them.

    Two more at either end, which are not given back, take part; the outermost two inner samples at
    either end are no knots there (de Boor, ch. IV: the fifth derivative does not jump). The same spline as
    scipy.interpolate's make_interp_spline gives, without loading all of scipy.optimize for it.
    """
    n, more = len(samples), _DEGREE // 2
    system = np.zeros((n + 2 * more, n + 2 * more))
    for i in range(n):
        system[i, i : i + _DEGREE] = _AT_NODES
    jump = [(-1) ** k * comb(_ORDER, k) for k in range(_ORDER + 1)]
    for i, first in enumerate((0, 1, n - 4, n - 3)):
        system[n + i, first : first + _ORDER + 1] = jump
    right = np.concatenate([samples.reshape(n, -1), np.zeros((2 * more, samples[0].size))])
    return np.linalg.solve(system, right)[more:-more].reshape(samples.shape)


@cache
def _uniform_weights(step: int) -> Array:
    """Values (step, 6) of the six B-splines over one cell, at its `step` pixels.

    By truncated powers (de Boor, ch. IX), from the nearer end, where they do not cancel.
    """
    offset = np.arange(step) / step
    weights = np.zeros((step, _ORDER))
    for q in range(_ORDER):
        x = offset + _DEGREE - q
        x = np.minimum(x, _ORDER - x)
        for k in range(_ORDER // 2):
            weights[:, q] += (-1) ** k * comb(_ORDER, k) * np.maximum(x - k, 0.0) ** _DEGREE
    return weights / factorial(_DEGREE)
