"""The innermost loops on a CUDA card, compiled by Triton: the same arithmetic as `autocal.render.kernel`.

One thread makes one sample. A program's threads cover a small rectangle of the output, whose source
pixels lie close together, so that all but the first fetch of a pixel is served by the cache beside the
multiprocessor. Planes are read and written in the footage's own whole numbers. What a sample needs of
the plan is one number of eight bytes (`autocal.render.remap_triton.packed_places`); the planes that are
sampled alike share it, and its weights.

Triton comes with torch's CUDA builds; this module is imported only where a card is used.
"""

# Triton's language takes no annotations but tl.constexpr, and has its own types.
# mypy: disallow-untyped-defs=False

from __future__ import annotations

import triton
import triton.language as tl

from autocal.render.filters import PHASES, WIDTHS

_ROW_BITS: tl.constexpr = tl.constexpr((PHASES * WIDTHS).bit_length() - 1)
_ROW_MASK: tl.constexpr = tl.constexpr(PHASES * WIDTHS - 1)
_PHASES: tl.constexpr = tl.constexpr(PHASES)
_WIDTHS: tl.constexpr = tl.constexpr(WIDTHS)


@triton.jit
def _cubic_weights(code, pairs):
    """The four weights by `autocal.render.filters._cubic_weights`: quicker than to fetch them from a table.

    pairs: (WIDTHS, 2) int64, each two float32 coefficients of the outer weight's polynomial, the fourth 0.
    """
    t = (code & (_PHASES - 1)).to(tl.float32) * (1.0 / _PHASES)
    width = ((code // _PHASES) & (_WIDTHS - 1)).to(tl.int32)
    upper = tl.load(pairs + 2 * width)
    c0 = upper.to(tl.int32).to(tl.float32, bitcast=True)
    c1 = (upper >> 32).to(tl.int32).to(tl.float32, bitcast=True)
    c2 = tl.load(pairs + 2 * width + 1).to(tl.int32).to(tl.float32, bitcast=True)
    s = 1.0 - t
    first = s * ((c0 * t + c1) * t + c2)
    last = t * ((c0 * s + c1) * s + c2)
    return first, s - 2.0 * first + last, t + first - 2.0 * last, last


@triton.jit
def _table_weights(code, table, TAPS: tl.constexpr):
    """The weights of 4 or 8 taps from the filter's table (n, TAPS) float32."""
    row = table + (code & _ROW_MASK).to(tl.int32) * TAPS
    if TAPS == 4:
        return tl.load(row), tl.load(row + 1), tl.load(row + 2), tl.load(row + 3)
    else:
        return (
            tl.load(row),
            tl.load(row + 1),
            tl.load(row + 2),
            tl.load(row + 3),
            tl.load(row + 4),
            tl.load(row + 5),
            tl.load(row + 6),
            tl.load(row + 7),
        )


@triton.jit
def _four_of_words(first, fourth, shift, SIZE: tl.constexpr, OFFSET: tl.constexpr):
    """Four neighbouring samples of SIZE bits as float32, from the words of 32 bits that hold them.

    Fewer fetches than one a sample. first, fourth: pointers to the words with the first and the fourth
    sample; shift: bits before the first; OFFSET: words from there on.
    """
    w0 = tl.load(first + OFFSET).to(tl.uint32).to(tl.uint64)
    last = tl.load(fourth + OFFSET).to(tl.uint32).to(tl.uint64)
    if SIZE == 8:
        four = ((w0 | (last << 32)) >> shift).to(tl.uint32)
        return (
            four.to(tl.uint8).to(tl.float32),
            (four >> 8).to(tl.uint8).to(tl.float32),
            (four >> 16).to(tl.uint8).to(tl.float32),
            (four >> 24).to(tl.uint8).to(tl.float32),
        )
    else:
        w1 = tl.load(first + (OFFSET + 1)).to(tl.uint32).to(tl.uint64)
        low = ((w0 | (w1 << 32)) >> shift).to(tl.uint32)
        high = ((w1 | (last << 32)) >> shift).to(tl.uint32)
        return (
            low.to(tl.uint16).to(tl.float32),
            (low >> 16).to(tl.uint16).to(tl.float32),
            high.to(tl.uint16).to(tl.float32),
            (high >> 16).to(tl.uint16).to(tl.float32),
        )


@triton.jit
def remap(
    source,
    out,
    places,
    weights,
    fills,
    height,
    width,
    source_plane,
    out_plane,
    PITCH: tl.constexpr,
    SIZE: tl.constexpr,
    PLANES: tl.constexpr,
    TOP: tl.constexpr,
    TAPS: tl.constexpr,
    CUBIC: tl.constexpr,
    FILL: tl.constexpr,
    COLUMNS: tl.constexpr,
    BLOCK: tl.constexpr,
):
    """Fill PLANES output planes from one layer of a plan.

    source: samples, whole numbers or float32; or words of 32 bits, each of samples of SIZE bits, if SIZE
    is not 0 (then TAPS is 4). source_plane: from one source plane to the next, PITCH: from one row to the
    next, in samples or words; constant, so that it costs no instruction. out_plane: samples from one
    output plane to the next. places: (height, width) int64, -1 where the layer holds no sample: there the
    plane's value of `fills` is written if FILL, else nothing. weights: see `_cubic_weights` if CUBIC, else
    `_table_weights`. TOP: largest code value. COLUMNS, BLOCK: width and samples of the rectangle that a
    program makes.
    """
    lane = tl.arange(0, BLOCK)
    column = tl.program_id(0) * COLUMNS + (lane & (COLUMNS - 1))
    row = tl.program_id(1) * (BLOCK // COLUMNS) + lane // COLUMNS
    inside = (column < width) & (row < height)
    at = row * width + column
    # Each is read once: it must not push source pixels out of the nearer cache.
    place = tl.load(places + at, mask=inside, other=-1, cache_modifier=".cg")
    here = place != -1
    code_x = (place & 0xFFFFFFFF).to(tl.uint32)
    code_y = (place >> 32).to(tl.uint32)
    if CUBIC:
        along_x = _cubic_weights(code_x, weights)
        along_y = _cubic_weights(code_y, weights)
    else:
        along_x = _table_weights(code_x, weights, TAPS)
        along_y = _table_weights(code_y, weights, TAPS)
    # Pixels are fetched for samples that are not here, too: cheaper than to ask at each tap.
    x = tl.where(here, (code_x >> _ROW_BITS).to(tl.int32), 0)
    y = tl.where(here, (code_y >> _ROW_BITS).to(tl.int32), 0)
    for plane in tl.static_range(PLANES):
        total = tl.zeros([BLOCK], tl.float32)
        if SIZE == 0:
            pixel = source + plane * source_plane + (y * PITCH + x)
            for r in tl.static_range(TAPS):
                line = tl.zeros([BLOCK], tl.float32)
                for c in tl.static_range(TAPS):
                    line += tl.load(pixel + (r * PITCH + c)).to(tl.float32) * along_x[c]
                total += line * along_y[r]
        else:
            # From the words with the first and with the fourth sample: none is fetched past the plane's end.
            word = source + plane * source_plane + y * PITCH
            first = word + x // (32 // SIZE)
            fourth = word + (x + 3) // (32 // SIZE)
            shift = ((x & (32 // SIZE - 1)) * SIZE).to(tl.uint64)
            for r in tl.static_range(TAPS):
                v = _four_of_words(first, fourth, shift, SIZE, r * PITCH)
                line = v[0] * along_x[0] + v[1] * along_x[1] + v[2] * along_x[2] + v[3] * along_x[3]
                total += line * along_y[r]
        value = tl.minimum(tl.maximum(total + 0.5, 0.0), TOP)
        target = out + plane * out_plane + at
        if FILL:
            value = tl.where(here, value, tl.load(fills + plane))
            tl.store(target, value.to(tl.int32).to(out.dtype.element_ty), mask=inside, cache_modifier=".cs")
        else:
            tl.store(target, value.to(tl.int32).to(out.dtype.element_ty), mask=here)


@triton.jit
def remap_border(
    source,
    out,
    place,
    first,
    row,
    lowest,
    weights,
    count,
    source_height,
    half_width,
    source_plane,
    out_plane,
    PITCH: tl.constexpr,
    PLANES: tl.constexpr,
    TOP: tl.constexpr,
    TAPS: tl.constexpr,
    BLOCK: tl.constexpr,
):
    """Fill `count` single samples whose filter reaches over the border of their eye's half.

    place: (n,) int32 index into an output plane. first, row: (n, 2) int32 as in
    `autocal.render.plan.BorderSamples`, first in pixels of the frame. lowest: (n,) int32 first column of
    the eye's half, `half_width` columns wide. weights: the filter's table.
    """
    n = tl.program_id(0) * BLOCK + tl.arange(0, BLOCK)
    inside = n < count
    target = tl.load(place + n, mask=inside, other=0)
    first_x = tl.load(first + 2 * n, mask=inside, other=0)
    first_y = tl.load(first + 2 * n + 1, mask=inside, other=0)
    row_x = tl.load(row + 2 * n, mask=inside, other=0) * TAPS
    row_y = tl.load(row + 2 * n + 1, mask=inside, other=0) * TAPS
    left = tl.load(lowest + n, mask=inside, other=0)
    for plane in tl.static_range(PLANES):
        total = tl.zeros([BLOCK], tl.float32)
        for r in range(TAPS):
            y = tl.minimum(tl.maximum(first_y + r, 0), source_height - 1)
            line = tl.zeros([BLOCK], tl.float32)
            for c in range(TAPS):
                x = tl.minimum(tl.maximum(first_x + c, left), left + half_width - 1)
                pixel = tl.load(source + plane * source_plane + y * PITCH + x).to(tl.float32)
                line += pixel * tl.load(weights + row_x + c)
            total += line * tl.load(weights + row_y + r)
        value = tl.minimum(tl.maximum(total + 0.5, 0.0), TOP)
        value = value.to(tl.int32).to(out.dtype.element_ty)
        tl.store(out + plane * out_plane + target, value, mask=inside)


@triton.jit
def blend(out, place, share, fills, count, out_plane, PLANES: tl.constexpr, BLOCK: tl.constexpr):
    """Mix single samples with the fill: share (n,) float32 of the picture, the rest fill."""
    n = tl.program_id(0) * BLOCK + tl.arange(0, BLOCK)
    inside = n < count
    target = tl.load(place + n, mask=inside, other=0)
    of_picture = tl.load(share + n, mask=inside, other=0.0)
    for plane in tl.static_range(PLANES):
        fill = tl.load(fills + plane)
        pointer = out + plane * out_plane + target
        picture = tl.load(pointer, mask=inside, other=0).to(tl.float32)
        mixed = fill + (picture - fill) * of_picture + 0.5
        tl.store(pointer, mixed.to(tl.int32).to(out.dtype.element_ty), mask=inside)


@triton.jit
def halve(
    source,
    out,
    height,
    half_width,
    source_half_width,
    source_pitch,
    source_plane,
    BLOCK: tl.constexpr,
):
    """Fill planes (height, 2 * half_width) float32 with the mean of each four samples, eye by eye."""
    width = 2 * half_width
    column = tl.program_id(0) * BLOCK + tl.arange(0, BLOCK)
    row = tl.program_id(1)
    plane = tl.program_id(2).to(tl.int64)
    inside = column < width
    eye = (column >= half_width).to(tl.int32)
    from_column = eye * source_half_width + 2 * (column - eye * half_width)
    pixel = source + plane * source_plane + 2 * row * source_pitch + from_column
    upper = tl.load(pixel, mask=inside, other=0).to(tl.float32)
    upper += tl.load(pixel + 1, mask=inside, other=0).to(tl.float32)
    lower = tl.load(pixel + source_pitch, mask=inside, other=0).to(tl.float32)
    lower += tl.load(pixel + source_pitch + 1, mask=inside, other=0).to(tl.float32)
    target = out + plane * height * width + row * width + column
    tl.store(target, (upper + lower) * 0.25, mask=inside)
