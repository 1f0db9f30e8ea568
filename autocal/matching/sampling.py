"""Pictures sampled between their pixels, compiled by numba."""

from __future__ import annotations

from typing import Any

import numpy as np

from autocal.compiled import compiled


@compiled(any_order=True)
def sample(nodes: Any, x: float, y: float, shape: Any, side: int, out: Any) -> None:
    """side * side values about node (x, y), bilinear, 2 shape (2, 2) @ offset away; edges repeat.

    Nodes lie half a sample spacing apart.
    """
    height, width = nodes.shape
    flat = nodes.ravel()
    middle = (side - 1) / 2
    # Whole and fractional part apart: single precision holds the rest to a millionth of a node.
    x0, y0 = np.floor(x), np.floor(y)
    fx, fy = np.float32(x - x0), np.float32(y - y0)
    xx, xy = np.float32(2 * shape[0, 0]), np.float32(2 * shape[0, 1])
    yx, yy = np.float32(2 * shape[1, 0]), np.float32(2 * shape[1, 1])
    left, top = np.int64(x0), np.int64(y0)
    for i in range(side):
        dy = np.float32(i - middle)
        for j in range(side):
            dx = np.float32(j - middle)
            u = fx + xx * dx + xy * dy
            v = fy + yx * dx + yy * dy
            u0, v0 = np.floor(u), np.floor(v)
            a, b = u - u0, v - v0
            column: Any = left + np.int64(u0)
            row: Any = top + np.int64(v0)
            if column < 0:
                column, a = 0, np.float32(0.0)
            elif column > width - 2:
                column, a = width - 2, np.float32(1.0)
            if row < 0:
                row, b = 0, np.float32(0.0)
            elif row > height - 2:
                row, b = height - 2, np.float32(1.0)
            at = np.uint64(row * width + column)
            below = at + np.uint64(width)
            upper = flat[at] + a * (flat[at + np.uint64(1)] - flat[at])
            lower = flat[below] + a * (flat[below + np.uint64(1)] - flat[below])
            out[i * side + j] = upper + b * (lower - upper)


@compiled(any_order=True)
def sample_patches(nodes: Any, places: Any, shape: Any, side: int, out: Any) -> None:
    """`sample` about every one of `places` (n, 2), nodes, into out (n, side * side)."""
    for n in range(len(places)):
        sample(nodes, places[n, 0], places[n, 1], shape, side, out[n])
