"""Everything about remapping one picture plane that depends on the map alone, worked out once.

A film's every frame is remapped by the same map. So for each output sample the first source pixel
under the filter and the rows of its weight table are found beforehand, and kept as
`autocal.render.runs`; what is left for each frame is to fetch and weigh. A plan serves one rectangle
of source (one eye's half of a plane) and one rectangle of output.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocal.render.filters import LARGEST_SCALE, PHASES, Filter, width_of_scale
from autocal.render.runs import Runs, joined, packed_runs

_BAND_ROWS = 64

Float32 = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class BorderSamples:
    """Output samples whose filter reaches over the source's border, where pixels are repeated.

    place: (n,) index into the flattened output. first: (n, 2) x, y of the first source pixel,
    possibly outside. row: (n, 2) rows of the weight table along x and y.
    """

    place: NDArray[np.int64]
    first: NDArray[np.int32]
    row: NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Layer:
    """The output samples taken from the source at one level: halved `level` times.

    runs: where the filter sits for every output sample (height, width); those that the layer leaves alone
    have no place. border: the samples at the source's border, which have none either.
    """

    level: int
    runs: Runs
    border: BorderSamples


@dataclass(frozen=True, eq=False)
class Plan:
    """How one output rectangle is made from one source rectangle.

    size, source_size: (width, height) of the output and of the source. layers: together they hold
    every output sample that has a source, once. blend_place, blend_share: samples (n,) of which
    only a share (n,), 0 to 1, is picture and the rest fill (a feathered rim); the share of a
    sample that no layer holds is 0 by definition and not listed.
    """

    size: tuple[int, int]
    source_size: tuple[int, int]
    filter: Filter
    layers: tuple[Layer, ...]
    blend_place: NDArray[np.int64]
    blend_share: Float32


def make_plan(
    x: Float32, y: Float32, source_size: tuple[int, int], resampling: Filter, share: Float32 | None = None
) -> Plan:
    """A plan from a map.

    x, y: (height, width) source positions of the output samples, integers at pixel centres; NaN
    where there is no picture. share: (height, width) how much of a sample is picture, for a
    feathered rim.
    """
    height, width = x.shape
    scale_x, scale_y = local_scale(x), local_scale(y)
    level = levels_needed(scale_x, scale_y, source_size)
    valid = np.isfinite(x) & np.isfinite(y)
    if share is not None:
        valid &= share > 0
    present = np.unique(level[valid])
    layers = tuple(
        _layer(x, y, scale_x, scale_y, valid & (level == n), int(n), source_size, resampling) for n in present
    )
    blend = np.flatnonzero(valid & (share < 1)) if share is not None else np.empty(0, np.int64)
    shares = share.ravel()[blend] if share is not None else np.empty(0, np.float32)
    return Plan((width, height), source_size, resampling, layers, blend, shares.astype(np.float32))


def local_scale(position: Float32) -> Float32:
    """How far one source coordinate moves for one output pixel: |gradient| of a map (height, width).

    Where a neighbour has no picture, the one on the other side is taken; with none, 1.
    """
    squared = np.zeros_like(position)
    for axis in (0, 1):
        step = np.diff(position, axis=axis)
        pad = [(1, 0) if a == axis else (0, 0) for a in (0, 1)]
        before = np.pad(step, pad, constant_values=np.nan)
        after = np.pad(step, [p[::-1] for p in pad], constant_values=np.nan)
        both = (before + after) / 2
        one = np.where(np.isfinite(before), before, after)
        slope = np.where(np.isfinite(both), both, one)
        squared += np.where(np.isfinite(slope), slope, 0.0) ** 2
    return np.sqrt(squared)


def levels_needed(scale_x: Float32, scale_y: Float32, source_size: tuple[int, int]) -> NDArray[np.uint8]:
    """How often the source must be halved before the widest filter covers an output pixel.

    Never so often that nothing of the source is left.
    """
    excess = np.maximum(scale_x, scale_y) / np.float32(LARGEST_SCALE)
    most = min(source_size).bit_length() - 1
    return np.minimum(np.ceil(np.log2(np.maximum(excess, 1.0))), most).astype(np.uint8)


def level_size(size: tuple[int, int], level: int) -> tuple[int, int]:
    """(width, height) of a source of `size` after `level` halvings; an odd last row or column goes."""
    return size[0] >> level, size[1] >> level


def _layer(
    x: Float32,
    y: Float32,
    scale_x: Float32,
    scale_y: Float32,
    here: NDArray[np.bool_],
    level: int,
    source_size: tuple[int, int],
    resampling: Filter,
) -> Layer:
    limits = level_size(source_size, level)
    bands: list[Runs] = []
    border_parts: list[tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.int32]]] = []
    for top in range(0, x.shape[0], _BAND_ROWS):  # in bands: whole planes of float64 would not fit the budget
        band = slice(top, top + _BAND_ROWS)
        use = here[band]
        at_x, row_x = _start_and_row(x[band], scale_x[band], use, level, resampling.taps)
        at_y, row_y = _start_and_row(y[band], scale_y[band], use, level, resampling.taps)
        first_x, first_y = at_x // PHASES, at_y // PHASES
        inner = use & (first_x >= 0) & (first_x <= limits[0] - resampling.taps)
        inner &= (first_y >= 0) & (first_y <= limits[1] - resampling.taps)
        bands.append(packed_runs(at_x, at_y, row_x, row_y, inner))
        rim = use & ~inner
        if rim.any():
            place = np.flatnonzero(rim) + top * x.shape[1]
            first = np.stack([first_x[rim], first_y[rim]], axis=1).astype(np.int32)
            phase = np.stack([at_x[rim], at_y[rim]], axis=1) % PHASES
            row = np.stack([row_x[rim], row_y[rim]], axis=1) + phase
            border_parts.append((place, first, row.astype(np.int32)))
    return Layer(level, joined(bands), _joined_border(border_parts))


def _start_and_row(
    position: Float32, scale: Float32, use: NDArray[np.bool_], level: int, taps: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Along one axis: where the filter starts, in 1 / PHASES px, and its row of weights for phase 0."""
    halved = 2.0**level
    # Edges scale, centres sit half a pixel inside.
    at = (np.where(use, position, 0.0).astype(np.float64) + 0.5) / halved - 0.5
    start = np.rint(at * PHASES).astype(np.int64) - (taps // 2 - 1) * PHASES
    return start, width_of_scale(scale / halved).astype(np.int64) * PHASES


def _joined_border(
    parts: list[tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.int32]]],
) -> BorderSamples:
    if not parts:
        return BorderSamples(np.empty(0, np.int64), np.empty((0, 2), np.int32), np.empty((0, 2), np.int32))
    place, first, row = (np.concatenate(column) for column in zip(*parts, strict=True))
    return BorderSamples(place, first, row)
