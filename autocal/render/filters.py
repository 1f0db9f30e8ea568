"""Resampling filters as tables of weights, wider where the picture shrinks.

Where the output samples the source more coarsely than it was sampled itself, a filter must cover the
whole area of an output pixel, or fine detail comes out as moire. An output pixel that covers `s`
source px along an axis is a box of variance s^2 / 12; the source pixel it starts from is already
one of 1 / 12. So each filter comes in `WIDTHS` widths that add the variance (s^2 - 1) / 12, up to
`LARGEST_SCALE`; beyond, the source is halved first (`autocal.render.plan`).

Filters: "linear" (triangle), "cubic" (Mitchell and Netravali, SIGGRAPH 1988, eq. 8, from B = 0,
C = 1/2, Catmull and Rom's, at scale 1 to the cubic B-spline, B = 1, whose added variance is 1/3),
"lanczos" (three lobes). Linear and lanczos are widened by averaging over a box.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocal.geometry.lens import Array

FilterName = Literal["cubic", "lanczos", "linear"]

#: Positions between two source pixels are told apart to 1 / PHASES px.
PHASES = 1024
#: How many widths a filter has, from scale 1 to `LARGEST_SCALE`, evenly in variance.
WIDTHS = 32
#: Source px an output px, along one axis, that the widest filter serves: its added variance is 1/3.
LARGEST_SCALE = 5.0**0.5

_TAPS = {"cubic": 4, "linear": 4, "lanczos": 8}
_BOX_SAMPLES = 32


@dataclass(frozen=True, eq=False)
class Filter:
    """A filter ready for use.

    taps: source pixels used along an axis, the first of them `taps // 2 - 1` before the position.
    weights: (WIDTHS * PHASES, taps) float32, rows summing to 1; row `width * PHASES + phase`.
    """

    name: FilterName
    taps: int
    weights: NDArray[np.float32]


@lru_cache(maxsize=3)
def named_filter(name: FilterName) -> Filter:
    """One of the three filters."""
    taps = _TAPS[name]
    phase = np.arange(PHASES) / PHASES
    offsets = phase[:, None] - (np.arange(taps) - (taps // 2 - 1))  # (PHASES, taps): position minus tap
    rows = [kernel(name, offsets, width_scale(width)) for width in range(WIDTHS)]
    weights = np.concatenate(rows)
    weights /= weights.sum(axis=1, keepdims=True)
    weights32 = weights.astype(np.float32)
    weights32.setflags(write=False)
    return Filter(name, taps, weights32)


def width_scale(width: int) -> float:
    """The scale, source px an output px, that a filter's width is made for."""
    return float(np.sqrt(1.0 + (LARGEST_SCALE**2 - 1.0) * width / (WIDTHS - 1)))


def width_of_scale(scale: ArrayLike) -> Array:
    """The fitting width (a whole number as float64) of scales; scales outside the range are clamped."""
    squared = np.square(np.asarray(scale, dtype=np.float64))
    return np.rint(np.clip((squared - 1.0) / (LARGEST_SCALE**2 - 1.0), 0.0, 1.0) * (WIDTHS - 1))


def kernel(name: FilterName, offset: ArrayLike, scale: float = 1.0) -> Array:
    """The filter's value at `offset` source px from its centre, for an output pixel of `scale` source px."""
    t = np.asarray(offset, dtype=np.float64)
    extra = max(scale * scale - 1.0, 0.0)
    if name == "cubic":
        return _mitchell_netravali(t, min(extra / 4.0, 1.0))
    base = _triangle if name == "linear" else _lanczos3
    if extra == 0.0:
        return base(t)
    box = ((np.arange(_BOX_SAMPLES) + 0.5) / _BOX_SAMPLES - 0.5) * np.sqrt(extra)
    return base(t[..., None] - box).mean(axis=-1)


def _mitchell_netravali(t: Array, b: float) -> Array:
    c = (1.0 - b) / 2.0
    a = np.abs(t)
    inner = (12 - 9 * b - 6 * c) * a**3 + (-18 + 12 * b + 6 * c) * a**2 + (6 - 2 * b)
    outer = (-b - 6 * c) * a**3 + (6 * b + 30 * c) * a**2 + (-12 * b - 48 * c) * a + (8 * b + 24 * c)
    return np.where(a < 1, inner, np.where(a < 2, outer, 0.0)) / 6


def _triangle(t: Array) -> Array:
    return np.maximum(1.0 - np.abs(t), 0.0)


def _lanczos3(t: Array) -> Array:
    return np.where(np.abs(t) < 3, np.sinc(t) * np.sinc(t / 3), 0.0)
