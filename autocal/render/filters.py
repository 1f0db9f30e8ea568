"""Resampling filters as tables of weights, wider where the picture shrinks.

Where the output samples the source more coarsely than it was sampled itself, a filter must cover the
whole area of an output pixel, or fine detail comes out as moire. An output pixel that covers `s`
source px along an axis is a box of that width; the source's own pixel is already a box of one. So a
filter for scale s has to act as sinc(f s) / sinc(f) at f cycles a source px. Filters come in `WIDTHS`
widths up to `LARGEST_SCALE`; beyond, the source is halved first (`autocal.render.plan`).

"cubic": four pixels along an axis, weighed by cubic polynomials that come closest to the wanted
response for footage whose power falls as (cos(pi f) / f)^2: 1 / f^2 as in natural pictures (Field,
JOSA A 4(12), 1987), and nothing left at the sampling limit. They reproduce slopes exactly, which the
cubic with a = -0.75 in common use does not, and keep more detail than Catmull and Rom's. At scale 1
the outer weight comes out as -t (1 - t) (2 - t) / 4.
"lanczos": three lobes, six pixels. "linear": two pixels. Both are widened by averaging over a box of
the missing variance, (s^2 - 1) / 12.
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
#: Source px an output px, along one axis, that the widest filter serves.
LARGEST_SCALE = 5.0**0.5

_TAPS = {"cubic": 4, "linear": 4, "lanczos": 8}
_BOX_SAMPLES = 32
_FIT_PHASES, _FIT_FREQUENCIES = 48, 200


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
    phase = np.arange(PHASES) / PHASES
    weights = np.concatenate([tap_weights(name, phase, width) for width in range(WIDTHS)]).astype(np.float32)
    weights.setflags(write=False)
    return Filter(name, _TAPS[name], weights)


def width_scale(width: int) -> float:
    """The scale, source px an output px, that a filter's width is made for."""
    return float(np.sqrt(1.0 + (LARGEST_SCALE**2 - 1.0) * width / (WIDTHS - 1)))


def width_of_scale(scale: ArrayLike) -> Array:
    """The fitting width (a whole number as float64) of scales; scales outside the range are clamped."""
    squared = np.square(np.asarray(scale, dtype=np.float64))
    return np.rint(np.clip((squared - 1.0) / (LARGEST_SCALE**2 - 1.0), 0.0, 1.0) * (WIDTHS - 1))


def tap_weights(name: FilterName, phase: ArrayLike, width: int) -> Array:
    """Weights (..., taps) of the pixels around positions `phase` (...) px, 0 to 1, beyond a pixel."""
    t = np.asarray(phase, dtype=np.float64)
    if name == "cubic":
        return _cubic_weights(t, width)
    base = _triangle if name == "linear" else _lanczos3
    taps = _TAPS[name]
    offset = t[..., None] - (np.arange(taps) - (taps // 2 - 1))
    box = np.sqrt(max(width_scale(width) ** 2 - 1.0, 0.0))
    samples = ((np.arange(_BOX_SAMPLES) + 0.5) / _BOX_SAMPLES - 0.5) * box
    weights = base(offset) if box == 0.0 else base(offset[..., None] - samples).mean(axis=-1)
    return weights / weights.sum(axis=-1, keepdims=True)


def _triangle(t: Array) -> Array:
    return np.maximum(1.0 - np.abs(t), 0.0)


def _lanczos3(t: Array) -> Array:
    return np.where(np.abs(t) < 3, np.sinc(t) * np.sinc(t / 3), 0.0)


def _cubic_weights(t: Array, width: int) -> Array:
    """The outer weight at -1 is a cubic p(t) with p(1) = 0, that at 2 its mirror p(1 - t).

    The two inner ones follow from the sum being 1 and a slope being reproduced.
    """
    coefficients = _fitted_outer_weight(width)
    first, last = (_outer_terms(s, len(coefficients)) @ coefficients for s in (t, 1.0 - t))
    return np.stack([first, 1 - t - 2 * first + last, t + first - 2 * last, last], axis=-1)


def cubic_coefficients() -> Array:
    """Coefficients (WIDTHS, 3) of t^2, t and 1: (1 - t) times this polynomial is cubic's weight at -1."""
    fitted = np.zeros((WIDTHS, 3))
    for width in range(WIDTHS):
        coefficients = _fitted_outer_weight(width)
        fitted[width, : len(coefficients)] = coefficients
    return fitted


def _outer_terms(t: Array, count: int) -> Array:
    """(1 - t) times t^2, t and, where there are three terms, 1: without it the filter interpolates."""
    return np.stack([(1 - t) * t**power for power in (2, 1, 0)[:count]], axis=-1)


@lru_cache(maxsize=WIDTHS)
def _fitted_outer_weight(width: int) -> Array:
    """Coefficients of p(t): least squares over phases and frequencies, weighed by the footage's spectrum."""
    t = ((np.arange(_FIT_PHASES) + 0.5) / _FIT_PHASES)[:, None]
    f = ((np.arange(_FIT_FREQUENCIES) + 0.5) / _FIT_FREQUENCIES / 2)[None]

    def wave(position: Array | float) -> NDArray[np.complex128]:
        return np.exp(-2j * np.pi * f * position)

    wanted = np.sinc(f * width_scale(width)) / np.sinc(f) * wave(t)
    without_outer = (1 - t) + t * wave(1)
    per_first, per_last = wave(-1) + wave(1) - 2, wave(2) - 2 * wave(1) + 1
    terms = 2 if width == 0 else 3
    first, last = _outer_terms(t, terms), _outer_terms(1 - t, terms)
    amplitude = np.cos(np.pi * f) / f
    columns = [amplitude * (first[..., n] * per_first + last[..., n] * per_last) for n in range(terms)]
    system = np.stack([_real(column) for column in columns], axis=1)
    solution = np.linalg.lstsq(system, _real(amplitude * (wanted - without_outer)), rcond=None)[0]
    return np.asarray(solution, dtype=np.float64)


def _real(values: NDArray[np.complex128]) -> Array:
    return np.concatenate([values.real.ravel(), values.imag.ravel()])
