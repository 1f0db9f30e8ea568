"""The innermost loop: fetch taps x taps source pixels and weigh them, for every output sample.

Compiled by numba. One output sample is one short vector expression: a row of the filter's taps is a
vector, the rows are added up under their weights, and the sum is weighed along x. The compiler does
not find this form in a scalar loop, so it is spelled out in LLVM's vector types, which exist on
every processor: 2.3 times as fast as the loop (`benchmarks/bench_render.py`).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from autocal.compiled import compiled
from autocal.render.filters import PHASES
from autocal.render.runs import BENDS

_INDEX = ir.IntType(64)
_LANE = ir.IntType(32)
#: Shifts and masks: the compiler cannot know that no position is negative.
_PHASE_BITS, _PHASE = PHASES.bit_length() - 1, PHASES - 1


@intrinsic
def _weigh(typing: Any, source: Any, at: Any, pitch: Any, weights: Any, wx: Any, wy: Any, lanes: Any) -> Any:
    """Sum over rows r and columns c of weights[wy + r] * weights[wx + c] * source[at + r * pitch + c].

    source and weights are flat; all indices count elements. lanes: a tuple as long as the filter has taps.
    """
    signature = types.float32(source, types.int64, types.int64, weights, types.int64, types.int64, lanes)
    taps = lanes.count

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        source_value, at, pitch, weights_value, wx, wy, _ = arguments
        element = context.get_data_type(signature.args[0].dtype)
        pixels = context.make_array(signature.args[0])(context, builder, source_value).data
        table = context.make_array(signature.args[3])(context, builder, weights_value).data
        floats = ir.VectorType(ir.FloatType(), taps)
        fused = cgutils.get_or_insert_function(
            builder.module, ir.FunctionType(floats, [floats] * 3), f"llvm.fma.v{taps}f32"
        )
        total = ir.Constant(floats, [0.0] * taps)
        for r in range(taps):
            row = _load(builder, builder.gep(pixels, [at]), ir.VectorType(element, taps), element)
            if not isinstance(element, ir.FloatType):
                row = builder.uitofp(row, floats)
            weight = builder.load(builder.gep(table, [builder.add(wy, _INDEX(r))]))
            total = builder.call(fused, [row, _spread(builder, weight, floats), total])
            at = builder.add(at, pitch)
        along_x = _load(builder, builder.gep(table, [wx]), floats, ir.FloatType())
        return _sum(builder, builder.fmul(total, along_x), taps)

    return signature, generate


def _load(builder: Any, pointer: Any, vector: Any, element: Any) -> Any:
    value = builder.load(builder.bitcast(pointer, vector.as_pointer()))
    value.align = 4 if isinstance(element, ir.FloatType) else element.width // 8
    return value


def _spread(builder: Any, value: Any, vector: Any) -> Any:
    undefined = ir.Constant(vector, ir.Undefined)
    one = builder.insert_element(undefined, value, _LANE(0))
    return builder.shuffle_vector(
        one, undefined, ir.Constant(ir.VectorType(_LANE, vector.count), [0] * vector.count)
    )


def _sum(builder: Any, vector: Any, lanes: int) -> Any:
    while lanes > 1:
        half = lanes // 2
        undefined = ir.Constant(vector.type, ir.Undefined)
        kind = ir.VectorType(_LANE, half)
        low = builder.shuffle_vector(vector, undefined, ir.Constant(kind, list(range(half))))
        high = builder.shuffle_vector(vector, undefined, ir.Constant(kind, list(range(half, lanes))))
        vector, lanes = builder.fadd(low, high), half
    return builder.extract_element(vector, _LANE(0))


@compiled()
def _rows(
    source: Any,
    pitch: Any,
    codes: Any,
    runs: Any,
    first_run: Any,
    bends: Any,
    weights: Any,
    lanes: Any,
    out: Any,
    top: Any,
    fill: Any,
) -> None:
    taps = len(lanes)
    for i in range(codes.shape[0]):
        code, line = codes[i], out[i]
        for n in range(first_run[i], first_run[i + 1]):
            # Unsigned: the compiler need not look for columns counted from the end.
            start = np.uint64(runs[n, 0])
            end = np.uint64(runs[n + 1, 0] if n + 1 < first_run[i + 1] else codes.shape[1])
            if runs[n, 3] < 0:
                if fill >= 0:
                    for j in range(start, end):
                        line[j] = fill
                continue
            position, step = runs[n, 1], runs[n, 2]
            row_x, row_y = runs[n, 3] * taps, runs[n, 4] * taps
            for j in range(start, end):
                step += bends[code[j]]
                position += step
                x, y = position & 0xFFFFFFFF, position >> 32
                at = (y >> _PHASE_BITS) * pitch + (x >> _PHASE_BITS)
                wx, wy = row_x + (x & _PHASE) * taps, row_y + (y & _PHASE) * taps
                value: Any = _weigh(source, at, pitch, weights, wx, wy, lanes)  # type: ignore[call-arg]
                if top >= 0:
                    line[j] = min(max(value + np.float32(0.5), np.float32(0.0)), top)
                else:
                    line[j] = value


def remap_rows(source: Any, runs: Any, weights: Any, out: Any, rows: slice, top: float, fill: float) -> None:
    """Fill `rows` of an output plane from one layer of a plan. Releases the interpreter's lock.

    source: (h, w), uint8, uint16 or float32; runs: the layer's; weights: (n, taps); out: (height, width),
    of the plane's kind. top: largest value of a whole number, negative where samples are not. fill:
    value of the samples that the layer does not hold, negative to leave them alone.
    """
    flat, pitch = _flat(source)
    codes = runs.bends[rows]
    first_run = runs.first_run[rows.start : rows.start + codes.shape[0] + 1]
    tables = (codes, runs.runs, first_run, BENDS, weights.reshape(-1), (0,) * weights.shape[1])
    _rows(flat, pitch, *tables, out[rows], np.float32(top), np.float32(fill))


@compiled()
def remap_border(source: Any, place: Any, first: Any, row: Any, weights: Any, out: Any, top: Any) -> None:
    """Fill single output samples whose filter reaches over the border, where pixels are repeated.

    place, first, row: as in `autocal.render.plan.BorderSamples`. top: largest value of a whole number,
    negative where samples are not whole numbers.
    """
    height, width = source.shape
    taps = weights.shape[1]
    for n in range(place.size):
        value = np.float32(0.0)
        for r in range(taps):
            y = min(max(first[n, 1] + r, 0), height - 1)
            along = np.float32(0.0)
            for c in range(taps):
                x = min(max(first[n, 0] + c, 0), width - 1)
                along += weights[row[n, 0], c] * np.float32(source[y, x])
            value += weights[row[n, 1], r] * along
        i, j = divmod(place[n], out.shape[1])
        if top >= 0:
            value = min(max(value + np.float32(0.5), np.float32(0.0)), top)
        out[i, j] = value


@compiled()
def blend(out: Any, place: Any, share: Any, fill: Any, rounding: Any) -> None:
    """Mix single samples with the fill: share of the picture, the rest fill."""
    for n in range(place.size):
        i, j = divmod(place[n], out.shape[1])
        out[i, j] = fill + (np.float32(out[i, j]) - fill) * share[n] + rounding


def _flat(source: Any) -> tuple[Any, int]:
    """The plane as a flat view from its first sample to its last, and the row pitch in samples."""
    if source.strides[1] != source.itemsize or source.strides[0] < 0:
        source = np.ascontiguousarray(source)
    pitch = source.strides[0] // source.itemsize
    length = (source.shape[0] - 1) * pitch + source.shape[1]
    return np.lib.stride_tricks.as_strided(source, (length,), (source.itemsize,), writeable=False), pitch


@compiled()
def halve(source: Any, out: Any) -> None:
    """Fill `out` (h // 2, w // 2) float32 with the mean of each four source samples."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            upper = np.float32(source[2 * i, 2 * j]) + np.float32(source[2 * i, 2 * j + 1])
            lower = np.float32(source[2 * i + 1, 2 * j]) + np.float32(source[2 * i + 1, 2 * j + 1])
            out[i, j] = (upper + lower) * np.float32(0.25)
