"""The inner loops of `refine`, patch by patch, compiled by numba.

A patch and all that depends on it stay in the processor's innermost cache from the first step to the last:
several times as fast as the same steps taken for hundreds of patches at once by matrix products.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from autocal.compiled import compiled
from autocal.matching.patches import GRADIENT_BORDER, SAMPLES, SMOOTHING, WINDOW
from autocal.matching.sampling import holds, sample, smoothed_window, window_about, window_memory

_SHIFT_STEPS = 2  # shift alone at first: shape from far off runs away
_STEPS = 9
_CONVERGED = 0.008  # sample spacings
_LONGEST_STEP, _LARGEST_SHAPE_STEP = 1.5, 0.25
LEAST_GAIN = 0.05
_RIDGE = 1e-7  # of the scaled normal equations
_MOST_NOISE_IN_SLOPE = 0.7
#: Smoothed noise is alike in samples next to each other: as much of its square as so many of them have is
#: taken up by one unknown. Found with textures like those of natural pictures, patches of 13 to 21 a side.
_TAKEN = 3.2
_FLATTEST = 1e-6  # variance, squares of 1/255 of the range: less is the rounding of single precision

#: Columns of the design: shift x, y; shape xx, xy, yx, yy; gain; offset.
_UNKNOWNS = 8
_SHIFT_ONLY = (0, 1, 6, 7)
#: What a patch's alignment is told by: place x, y; shape, row by row; length of the last step, spacings;
#: gain; correlation; covariance xx, xy, yy of the shift, spacings^2.
PLACE, SHAPE, MOVED, GAIN, CORRELATION, COVARIANCE = slice(0, 2), slice(2, 6), 6, 7, 8, slice(9, 12)
RESULTS = 12


@compiled(any_order=True)
def align_patches(
    patches: Any,
    luma: Any,
    smoothing: Any,
    pixel_step: int,
    pixel: Any,
    shape: Any,
    furthest: float,
    weights: Any,
    taps: Any,
    out: Any,
) -> None:
    """Find patches (n, STORED, STORED) in luma (H, W) from pixel (n, 2) and shape (n, 2, 2).

    smoothing, pixel_step: taps and step of `autocal.matching.sampling`. furthest: px, where a search ends.
    weights: (SAMPLES,). taps: of the smoothing, a sample spacing apart. out: (n, RESULTS).
    """
    design = np.empty((_UNKNOWNS, SAMPLES), np.float32)
    weighted = np.empty((_UNKNOWNS, SAMPLES), np.float32)
    seen = np.empty(SAMPLES, np.float32)
    inverse = np.empty((_UNKNOWNS, _UNKNOWNS))
    shift_inverse = np.empty((len(_SHIFT_ONLY), len(_SHIFT_ONLY)))
    projection = np.empty(_UNKNOWNS)
    theta = np.empty(_UNKNOWNS)
    form = np.empty((2, 2))
    smeared = WINDOW + len(taps) - 1  # samples along a side
    spread = np.empty((2, smeared * smeared), np.float32)
    middle = np.empty(WINDOW * smeared, np.float32)
    per_px = len(smoothing) / pixel_step  # nodes
    spacing = 2.0 / per_px
    memory = window_memory(smoothing, pixel_step)
    for n in range(len(patches)):
        _design(patches[n], weights, design, weighted)
        _inverse(design, weighted, inverse, shift_inverse)
        start_x, start_y = pixel[n, 0], pixel[n, 1]
        x, y, moved = start_x, start_y, np.inf
        for a in range(2):
            for b in range(2):
                form[a, b] = shape[n, a, b]
        window, nodes = (0, 0, 0, 0), memory[-1][:0].reshape((0, 0))  # none yet
        for step in range(_STEPS):
            if not holds(window, x * per_px, y * per_px, form, WINDOW):
                window = window_about(x * per_px, y * per_px, form, WINDOW, furthest * per_px)
                nodes = smoothed_window(luma, smoothing, pixel_step, window, memory)
            sample(nodes, x * per_px - window[0], y * per_px - window[1], form, WINDOW, seen)
            _project(weighted, seen, projection)
            with_shape = step >= _SHIFT_STEPS
            _solved(inverse, shift_inverse, projection, with_shape, theta)
            gain = theta[6] if abs(theta[6]) >= LEAST_GAIN else LEAST_GAIN
            dx, dy = theta[0] / gain, theta[1] / gain
            moved = np.sqrt(dx * dx + dy * dy)
            if moved > _LONGEST_STEP:
                dx, dy = dx * _LONGEST_STEP / moved, dy * _LONGEST_STEP / moved
            if with_shape:
                _reshape(form, theta, gain)
            x -= spacing * (form[0, 0] * dx + form[0, 1] * dy)
            y -= spacing * (form[1, 0] * dx + form[1, 1] * dy)
            within = (x - start_x) ** 2 + (y - start_y) ** 2 < furthest**2
            if not within or (with_shape and moved <= _CONVERGED):
                break
        sample(nodes, x * per_px - window[0], y * per_px - window[1], form, WINDOW, seen)
        _project(weighted, seen, projection)
        _solved(inverse, shift_inverse, projection, True, theta)
        left, variance = _unexplained(design, weights, seen, theta)
        explained = np.sqrt(max(1.0 - left / variance, 0.0)) if variance > _FLATTEST else 0.0
        out[n, 0], out[n, 1] = x, y
        out[n, 2], out[n, 3], out[n, 4], out[n, 5] = form[0, 0], form[0, 1], form[1, 0], form[1, 1]
        out[n, MOVED], out[n, GAIN] = moved, theta[6]
        out[n, CORRELATION] = explained if theta[6] > 0 else -explained
        _smeared(inverse, weighted, taps, middle, spread)
        noise = _noise(design, weights, taps, left)
        for k in range(3):  # xx, xy, yy
            out[n, 9 + k] = noise * _inner(spread[k // 2], spread[(k + 1) // 2])


@compiled(any_order=True)
def _design(patch: Any, weights: Any, design: Any, weighted: Any) -> None:
    """Columns (_UNKNOWNS, SAMPLES) of a patch's design, plain and weighted."""
    middle = (WINDOW - 1) / 2
    for i in range(WINDOW):
        for j in range(WINDOW):
            r, c = i + GRADIENT_BORDER, j + GRADIENT_BORDER
            # Fourth-order central differences, per sample spacing.
            gx = (8 * (patch[r, c + 1] - patch[r, c - 1]) - (patch[r, c + 2] - patch[r, c - 2])) / 12
            gy = (8 * (patch[r + 1, c] - patch[r - 1, c]) - (patch[r + 2, c] - patch[r - 2, c])) / 12
            x, y, k = np.float32(j - middle), np.float32(i - middle), i * WINDOW + j
            design[0, k], design[1, k] = gx, gy
            design[2, k], design[3, k], design[4, k], design[5, k] = gx * x, gx * y, gy * x, gy * y
            design[6, k], design[7, k] = patch[r, c], 1
    for a in range(_UNKNOWNS):
        for k in range(SAMPLES):
            weighted[a, k] = design[a, k] * weights[k]


@compiled(any_order=True)
def _inverse(design: Any, weighted: Any, inverse: Any, shift_inverse: Any) -> None:
    """Inverses of the normal matrix of all unknowns, and of those of the shift, gain and offset alone."""
    normal = np.empty((_UNKNOWNS, _UNKNOWNS))
    for a in range(_UNKNOWNS):
        for b in range(a + 1):
            total = np.float32(0.0)
            for k in range(SAMPLES):
                total += design[a, k] * weighted[b, k]
            normal[a, b] = normal[b, a] = total
    _inverted(normal, inverse)
    few = np.empty((len(_SHIFT_ONLY), len(_SHIFT_ONLY)))
    for a in range(len(_SHIFT_ONLY)):
        for b in range(len(_SHIFT_ONLY)):
            few[a, b] = normal[_SHIFT_ONLY[a], _SHIFT_ONLY[b]]
    _inverted(few, shift_inverse)


@compiled(any_order=True)
def _inverted(normal: Any, out: Any) -> None:
    """Inverse of a symmetric positive matrix, scaled to a unit diagonal and kept away from singular."""
    size = len(normal)
    scale = np.empty(size)
    for a in range(size):
        scale[a] = 1 / np.sqrt(max(normal[a, a], 1e-9))
    for a in range(size):
        for b in range(size):
            out[a, b] = normal[a, b] * scale[a] * scale[b] + (_RIDGE if a == b else 0.0)
    # Gauss and Jordan in place: a positive matrix needs no pivots.
    for p in range(size):
        pivot = 1 / out[p, p]
        out[p, p] = 1.0
        for b in range(size):
            out[p, b] *= pivot
        for a in range(size):
            if a != p:
                factor = out[a, p]
                out[a, p] = 0.0
                for b in range(size):
                    out[a, b] -= factor * out[p, b]
    for a in range(size):
        for b in range(size):
            out[a, b] *= scale[a] * scale[b]


@compiled(any_order=True)
def _project(weighted: Any, seen: Any, out: Any) -> None:
    for a in range(_UNKNOWNS):
        total = np.float32(0.0)
        for k in range(SAMPLES):
            total += weighted[a, k] * seen[k]
        out[a] = total


@compiled(any_order=True)
def _solved(inverse: Any, shift_inverse: Any, projection: Any, with_shape: bool, theta: Any) -> None:
    _clear(theta)
    if with_shape:
        for a in range(_UNKNOWNS):
            for b in range(_UNKNOWNS):
                theta[a] += inverse[a, b] * projection[b]
    else:
        for a in range(len(_SHIFT_ONLY)):
            for b in range(len(_SHIFT_ONLY)):
                theta[_SHIFT_ONLY[a]] += shift_inverse[a, b] * projection[_SHIFT_ONLY[b]]


@compiled(any_order=True)
def _reshape(form: Any, theta: Any, gain: float) -> None:
    """form @ inverse of (1 + change), the change bounded."""
    a, b, c, d = theta[2] / gain, theta[3] / gain, theta[4] / gain, theta[5] / gain
    most = _LARGEST_SHAPE_STEP
    a, d = 1 + min(max(a, -most), most), 1 + min(max(d, -most), most)
    b, c = min(max(b, -most), most), min(max(c, -most), most)
    size = a * d - b * c
    for row in range(2):
        one, other = form[row, 0], form[row, 1]
        form[row, 0] = (one * d - other * c) / size
        form[row, 1] = (other * a - one * b) / size


@compiled(any_order=True)
def _unexplained(design: Any, weights: Any, seen: Any, theta: Any) -> Any:
    """Weighted variance of what is seen, less what the patch explains of it; and all of it."""
    total = mean = np.float32(0.0)
    for k in range(SAMPLES):
        total += weights[k]
        mean += weights[k] * seen[k]
    mean /= total
    left = variance = np.float32(0.0)
    for k in range(SAMPLES):
        rest = seen[k]
        for a in range(_UNKNOWNS):
            rest -= np.float32(theta[a]) * design[a, k]
        left += weights[k] * rest * rest
        variance += weights[k] * (seen[k] - mean) ** 2
    return left / total, variance / total


@compiled(any_order=True)
def _smeared(inverse: Any, weighted: Any, taps: Any, middle: Any, out: Any) -> None:
    """What each of the two shifts takes of every raw sample: their solver rows, through the smoothing."""
    side = WINDOW + len(taps) - 1
    row = np.empty(SAMPLES, np.float32)
    for a in range(2):
        _clear(row)
        _clear(middle)
        _clear(out[a])
        for b in range(_UNKNOWNS):
            factor = np.float32(inverse[a, b])
            for k in range(SAMPLES):
                row[k] += factor * weighted[b, k]
        for i in range(WINDOW):
            for t in range(len(taps)):
                for j in range(WINDOW):
                    middle[i * side + j + t] += taps[t] * row[i * WINDOW + j]
        for i in range(WINDOW):
            for t in range(len(taps)):
                for j in range(side):
                    out[a, (i + t) * side + j] += taps[t] * middle[i * side + j]


@compiled(any_order=True)
def _clear(values: Any) -> None:
    for k in range(len(values)):
        values[k] = 0


@compiled(any_order=True)
def _inner(a: Any, b: Any) -> Any:
    total = np.float32(0.0)
    for k in range(len(a)):
        total += a[k] * b[k]
    return total


@compiled(any_order=True)
def _noise(design: Any, weights: Any, taps: Any, left: Any) -> Any:
    """Variance of the noise of one of the two pictures, made larger for its share in the patch's slopes.

    Noise of neighbouring samples is correlated by the smoothing: white noise of variance s^2 leaves
    residuals of 2 s^2 sum(g^2), and moves the shift by s^2 sum((solver * g)^2). The patch's gradients
    hold noise too, which makes them look steeper than the texture is: their share of it,
    s^2 sum(dg^2), is taken out.
    """
    energy = steepness = 0.0  # of the smoothing, along one axis; sum(dg^2)
    for t in range(len(taps)):
        energy += taps[t] ** 2
        steepness += ((t - len(taps) // 2) / SMOOTHING**2 * taps[t]) ** 2
    steepness *= energy  # in the plane
    total: Any = np.float32(0.0)
    gradient: Any = np.float32(0.0)
    for k in range(SAMPLES):
        total += weights[k]
        gradient += weights[k] * (design[0, k] ** 2 + design[1, k] ** 2)
    freedom = 1.0 - _TAKEN * _UNKNOWNS / total
    noise = left / (2 * energy**2 * freedom)
    share = min(noise * steepness * total / max(gradient / 2, 1e-9), _MOST_NOISE_IN_SLOPE)
    return noise / (1 - share) ** 2
