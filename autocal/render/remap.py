"""Remapping a picture plane on the CPU by a plan: bands of rows over a pool of threads."""

from __future__ import annotations

from concurrent.futures import Executor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocal.render.filters import Filter
from autocal.render.plan import Plan, level_size, make_plan

Plane = NDArray[Any]
_BAND_ROWS = 256


def remap_plane(
    source: Plane, plan: Plan, out: Plane, *, bits: int, fill: float = 0.0, pool: Executor | None = None
) -> None:
    """Make one output rectangle from one source rectangle.

    source: (h, w); out: (height, width); both uint8 or uint16 of `bits` used bits, or float32.
    fill: value where there is no picture. Whole numbers are rounded and kept in range; floats are left
    as they come.
    """
    from autocal.render import kernel

    whole = out.dtype.kind == "u"
    top = float((1 << bits) - 1) if whole else -1.0
    pyramid = _pyramid(source, max((layer.level for layer in plan.layers), default=0))
    if not plan.layers:
        out[...] = fill
    for number, layer in enumerate(plan.layers):
        picture = pyramid[layer.level]
        background = fill if number == 0 else -1.0

        def rows(
            top_row: int, picture: Plane = picture, layer: Any = layer, background: float = background
        ) -> None:
            band = slice(top_row, top_row + _BAND_ROWS)
            kernel.remap_rows(picture, layer.runs, plan.filter.weights, out, band, top, background)

        list((pool.map if pool else map)(rows, range(0, out.shape[0], _BAND_ROWS)))
    for layer in plan.layers:
        border = layer.border
        if border.place.size:
            arguments = (border.place, border.first, border.row, plan.filter.weights)
            kernel.remap_border(pyramid[layer.level], *arguments, out, np.float32(top))
    if plan.blend_place.size:
        rounding = np.float32(0.5 if whole else 0.0)
        kernel.blend(out, plan.blend_place, plan.blend_share, np.float32(fill), rounding)


def warm_up(dtype: type[np.generic], resampling: Filter) -> None:
    """Load or compile the kernels for one kind of sample, so that the first picture need not wait."""
    y, x = np.mgrid[:16, :16].astype(np.float32)
    for scale in (1.0, 3.0):  # without and with a halved source
        plan = make_plan(x * scale, y * scale, (16, 16), resampling, np.full_like(x, 0.5))
        picture = np.zeros((16, 32), dtype)
        remap_plane(picture[:, :16], plan, picture.copy()[:, :16], bits=8)


def _pyramid(source: Plane, levels: int) -> list[Plane]:
    from autocal.render import kernel

    pyramid = [source]
    for _ in range(levels):
        finer = pyramid[-1]
        width, height = level_size((finer.shape[1], finer.shape[0]), 1)
        coarser = np.empty((height, width), np.float32)
        kernel.halve(finer, coarser)
        pyramid.append(coarser)
    return pyramid
