"""Pictures smoothed and sampled between their pixels where they are looked at, compiled by numba.

A smoothed picture has nodes, `len(taps)` of them every `step` pixels; node (0, 0) lies on pixel (0, 0).
taps: (phases, 2 radius + 1), one Gaussian for each place that a node can have between two pixels. Only
windows of nodes are made, each about as large as what is sampled of it: it stays in the processor's
innermost cache, and of a large picture most is never looked at.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from autocal.compiled import compiled

_LARGEST_WINDOW = 160  # nodes along a side
_NOWHERE = 1e9  # nodes
_MORE = 0.15  # than is sampled at first: it may yet be stretched


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


@compiled()
def _reach(shape: Any, side: int) -> Any:
    """How many nodes `sample` goes to the left and right, and up and down."""
    furthest = side - 1  # half of side - 1 samples, of two nodes each
    return furthest * (abs(shape[0, 0]) + abs(shape[0, 1])), furthest * (abs(shape[1, 0]) + abs(shape[1, 1]))


@compiled()
def holds(window: Any, x: float, y: float, shape: Any, side: int) -> Any:
    """Whether a window of nodes has all that `sample` about node (x, y) takes."""
    left, top, columns, rows = window
    across, down = _reach(shape, side)
    return (
        x - across >= left
        and x + across <= left + columns - 1
        and y - down >= top
        and y + down <= top + rows - 1
    )


@compiled()
def window_about(x: float, y: float, shape: Any, side: int, further: float) -> Any:
    """Nodes for `sample` about (x, y) and up to `further` from it: first column and row, columns, rows."""
    across, down = _reach(shape, side)
    if not (abs(x) < _NOWHERE and abs(y) < _NOWHERE and across < _NOWHERE and down < _NOWHERE):
        return 0, 0, 2, 2  # no number, or none that can be counted to
    columns = np.int64(min(2 * np.ceil((1 + _MORE) * across + further) + 2, _LARGEST_WINDOW))
    rows = np.int64(min(2 * np.ceil((1 + _MORE) * down + further) + 2, _LARGEST_WINDOW))
    return np.int64(np.floor(x)) - columns // 2 + 1, np.int64(np.floor(y)) - rows // 2 + 1, columns, rows


@compiled()
def window_memory(taps: Any, step: int) -> Any:
    """What `smoothed_window` works in: pixels, two rows of them, and nodes, enough for the largest window."""
    side = _LARGEST_WINDOW * step + taps.shape[1]
    return (
        np.empty(side * side, np.float32),
        np.empty(side, np.float32),
        np.empty(side, np.float32),
        np.empty(_LARGEST_WINDOW * _LARGEST_WINDOW, np.float32),
    )


@compiled(any_order=True)
def smoothed_window(luma: Any, taps: Any, step: int, window: Any, memory: Any) -> Any:
    """The nodes (rows, columns) of a `window_about` of the picture luma (H, W); its edges repeat."""
    left, top, columns, rows = window
    phases, length = taps.shape
    radius = length // 2
    first_x, first_y = left * step // phases - radius, top * step // phases - radius
    width = (left + columns - 1) * step // phases + radius + 1 - first_x
    height = (top + rows - 1) * step // phases + radius + 1 - first_y
    pixels, row, across = memory[0][: width * height], memory[1][:width], memory[2][: width - 2 * radius]
    _cut(luma, first_x, first_y, width, pixels)
    nodes = memory[3][: rows * columns]
    for i in range(rows):
        at = (top + i) * step // phases - radius - first_y
        _weighed(pixels[at * width :], taps[(top + i) % phases], width, row)
        for start in range(phases):
            at = (left + start) * step // phases - radius - first_x
            _weighed(row[at:], taps[(left + start) % phases], 1, across[: len(across) - at])
            # The next node of this phase is `step` pixels on, whatever the number of phases.
            for k in range((columns - start + phases - 1) // phases):
                nodes[i * columns + start + k * phases] = across[k * step]
    return nodes.reshape((rows, columns))


@compiled(any_order=True)
def _cut(luma: Any, first_x: int, first_y: int, width: int, out: Any) -> None:
    """Pixels from (first_x, first_y) on, row by row of `width`; the picture's edges repeat."""
    height = len(out) // width
    inside = first_x >= 0 and first_x + width <= luma.shape[1]
    for i in range(height):
        source = luma[min(max(first_y + i, 0), luma.shape[0] - 1)]
        target = out[i * width : (i + 1) * width]
        if inside:
            part = source[first_x : first_x + width]
            for j in range(width):
                target[j] = part[j]
        else:
            for j in range(width):
                target[j] = source[min(max(first_x + j, 0), luma.shape[1] - 1)]


@compiled(any_order=True)
def _weighed(values: Any, taps: Any, apart: int, out: Any) -> None:
    """Sums of values that lie `apart` from each other, for every place of out."""
    for j in range(len(out)):
        out[j] = taps[0] * values[j]
    for t in range(1, len(taps), 2):  # two at a time, of an odd number: half as many times through `out`
        a, b = taps[t], taps[t + 1]
        one = values[t * apart : t * apart + len(out)]
        other = values[(t + 1) * apart : (t + 1) * apart + len(out)]
        for j in range(len(out)):
            out[j] += a * one[j] + b * other[j]


@compiled(any_order=True)
def sample_patches(luma: Any, taps: Any, step: int, pixel: Any, shape: Any, side: int, out: Any) -> None:
    """`sample` of the smoothed picture about every pixel (n, 2), into out (n, side * side)."""
    memory = window_memory(taps, step)
    per_px = len(taps) / step
    for n in range(len(pixel)):
        x, y = pixel[n, 0] * per_px, pixel[n, 1] * per_px
        window = window_about(x, y, shape, side, 0.0)
        nodes = smoothed_window(luma, taps, step, window, memory)
        sample(nodes, x - window[0], y - window[1], shape, side, out[n])
