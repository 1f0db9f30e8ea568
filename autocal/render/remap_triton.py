"""Remapping whole frames on a CUDA card with the kernels of `autocal.render.kernel_triton`.

The plan's tables are packed for the card once; each frame is then a few launches, and nothing
travels between the card and the machine's memory but the frame's own samples.
"""

from __future__ import annotations

import subprocess
import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch

from autocal.render.filters import PHASES, WIDTHS, cubic_coefficients
from autocal.render.plan import Layer, Plan, level_size
from autocal.render.remap_torch import places_by_bands
from autocal.render.runs import NOT_HERE

_ROW_BITS = (PHASES * WIDTHS).bit_length() - 1
#: The rectangle of output that a program makes, px, and its warps (`benchmarks/bench_render_cuda.py`).
_COLUMNS, _ROWS, _WARPS = 32, 8, 4
_SINGLES = 128
_WORD = 4


def kernels_work(device: torch.device) -> bool:
    """Try a small kernel on the device; where it cannot be compiled, warn why.

    Triton may be missing, and it calls a C compiler, which needs Python's headers.
    """
    try:
        from autocal.render import kernel_triton

        source = torch.arange(8, dtype=torch.uint8, device=device)
        out = torch.empty(2, dtype=torch.float32, device=device)
        kernel_triton.halve[(1, 1, 1)](source, out, 1, 1, 2, 4, 8, BLOCK=_SINGLES)
        if out.tolist() != [2.5, 4.5]:
            raise RuntimeError("a trial came out wrong")
    except torch.cuda.OutOfMemoryError:
        raise
    except (ImportError, OSError, RuntimeError, subprocess.SubprocessError) as error:
        warnings.warn(
            "the card renders many times slower than it could, with plain torch: Triton's kernels cannot be "
            f"compiled ({error}). They need torch's CUDA build for Linux, gcc and Python's headers",
            stacklevel=2,
        )
        return False
    return True


@dataclass(frozen=True, eq=False)
class _LayerOnCard:
    """places: [H, W] int64, or None where all samples lie at the border. The rest: lists, [n] or [n, 2]."""

    level: int
    places: torch.Tensor | None
    border_place: torch.Tensor
    border_first: torch.Tensor
    border_row: torch.Tensor
    border_lowest: torch.Tensor


class TritonFrameRemap:
    """Remaps planes of side-by-side frames that are sampled alike; as `remap_torch.PlainFrameRemap`."""

    def __init__(
        self,
        plans: Sequence[Plan],
        halves: Sequence[int],
        fills: Sequence[float],
        bits: int,
        device: torch.device,
    ) -> None:
        """Arguments as for `remap_torch.PlainFrameRemap`."""
        self._device = device
        self._view = plans[0].size
        self._half_size = plans[0].source_size
        self._planes, self._top = len(fills), float((1 << bits) - 1)
        self._filter = plans[0].filter
        self._fills = torch.tensor(list(fills), dtype=torch.float32, device=device)
        self._table = torch.from_numpy(self._filter.weights.copy()).to(device)
        self._is_cubic = self._filter.name == "cubic"
        self._weights = _coefficient_pairs(device) if self._is_cubic else self._table
        levels = sorted({layer.level for plan in plans for layer in plan.layers})
        self._layers = [self._placed(plans, halves, level) for level in levels]
        self._blend_place = torch.cat(
            [self._frame_place(plan.blend_place, eye) for eye, plan in enumerate(plans)]
        )
        self._blend_share = torch.cat([torch.from_numpy(plan.blend_share) for plan in plans]).to(device)

    def remap(self, source: torch.Tensor, out: torch.Tensor) -> None:
        """As `remap_torch.FrameRemap`; both on the card and contiguous."""
        from autocal.render import kernel_triton

        if not self._layers or self._layers[0].places is None:
            for plane, code in enumerate(self._fills.tolist()):
                out[plane] = int(code) if out.dtype == torch.uint8 else int(np.uint16(code).astype(np.int16))
        source, out = (t.view(torch.uint16) if t.dtype == torch.int16 else t for t in (source, out))
        pyramid = [source]
        for number, layer in enumerate(self._layers):
            while len(pyramid) <= layer.level:
                pyramid.append(self._halved(pyramid[-1], len(pyramid)))
            picture = pyramid[layer.level]
            if layer.places is not None:
                self._fill_places(picture, layer.places, out, with_fill=number == 0)
            self._fill_border(picture, layer, out)
        count = self._blend_place.numel()
        if count:
            grid = (-(-count // _SINGLES),)
            kernel_triton.blend[grid](
                out,
                self._blend_place,
                self._blend_share,
                self._fills,
                count,
                out.stride(0),
                PLANES=self._planes,
                BLOCK=_SINGLES,
            )

    def _fill_places(
        self, picture: torch.Tensor, places: torch.Tensor, out: torch.Tensor, *, with_fill: bool
    ) -> None:
        from autocal.render import kernel_triton

        height, width = places.shape
        grid = (-(-width // _COLUMNS), -(-height // _ROWS))
        samples, size = self._as_words(picture)
        kernel_triton.remap[grid](
            samples,
            out,
            places,
            self._weights,
            self._fills,
            height,
            width,
            samples.stride(0),
            out.stride(0),
            PITCH=samples.stride(1),
            SIZE=size,
            PLANES=self._planes,
            TOP=self._top,
            TAPS=self._filter.taps,
            CUBIC=self._is_cubic,
            FILL=with_fill,
            COLUMNS=_COLUMNS,
            BLOCK=_COLUMNS * _ROWS,
            num_warps=_WARPS,
        )

    def _as_words(self, picture: torch.Tensor) -> tuple[torch.Tensor, int]:
        """The planes as words of 32 bits, and the bits of a sample, where rows are whole words; else 0."""
        small = picture.element_size() < _WORD and self._filter.taps == 4
        whole = picture.shape[2] * picture.element_size() % _WORD == 0 and picture.data_ptr() % _WORD == 0
        if small and whole:
            return picture.view(torch.int32), 8 * picture.element_size()
        return picture, 0

    def _fill_border(self, picture: torch.Tensor, layer: _LayerOnCard, out: torch.Tensor) -> None:
        from autocal.render import kernel_triton

        count = layer.border_place.numel()
        if not count:
            return
        half_width, height = level_size(self._half_size, layer.level)
        kernel_triton.remap_border[(-(-count // _SINGLES),)](
            picture,
            out,
            layer.border_place,
            layer.border_first,
            layer.border_row,
            layer.border_lowest,
            self._table,
            count,
            height,
            half_width,
            picture.stride(0),
            out.stride(0),
            PITCH=picture.stride(1),
            PLANES=self._planes,
            TOP=self._top,
            TAPS=self._filter.taps,
            BLOCK=_SINGLES,
        )

    def _halved(self, finer: torch.Tensor, level: int) -> torch.Tensor:
        from autocal.render import kernel_triton

        half_width, height = level_size(self._half_size, level)
        shape = (self._planes, height, 2 * half_width)
        coarser = torch.empty(shape, dtype=torch.float32, device=self._device)
        grid = (-(-2 * half_width // _SINGLES), height, self._planes)
        kernel_triton.halve[grid](
            finer,
            coarser,
            height,
            half_width,
            finer.shape[2] // 2,
            finer.stride(1),
            finer.stride(0),
            BLOCK=_SINGLES,
        )
        return coarser

    def _placed(self, plans: Sequence[Plan], halves: Sequence[int], level: int) -> _LayerOnCard:
        width, height = self._view
        half_width = level_size(self._half_size, level)[0]
        places = torch.full((height, 2 * width), -1, dtype=torch.int64, device=self._device)
        lists: list[tuple[torch.Tensor, ...]] = []
        for eye, (plan, half) in enumerate(zip(plans, halves, strict=True)):
            lowest = half * half_width
            for layer in plan.layers:
                if layer.level == level:
                    view = places[:, eye * width : (eye + 1) * width]
                    view[...] = packed_places(layer, lowest, self._device)
                    lists.append(self._border(layer, eye, lowest))
        here = bool((places != -1).any())
        return _LayerOnCard(level, places if here else None, *map(torch.cat, zip(*lists, strict=True)))

    def _border(self, layer: Layer, eye: int, lowest: int) -> tuple[torch.Tensor, ...]:
        border = layer.border
        first = border.first + np.array([lowest, 0], np.int32)
        columns = (first, border.row, np.full(border.place.size, lowest, np.int32))
        on_card = (torch.from_numpy(np.ascontiguousarray(column)).to(self._device) for column in columns)
        return self._frame_place(border.place, eye), *on_card

    def _frame_place(self, place: np.ndarray, eye: int) -> torch.Tensor:
        """Index into a whole output plane of samples of one eye's view, int32."""
        row, column = np.divmod(place, self._view[0])
        in_frame = (2 * row + eye) * self._view[0] + column
        return torch.from_numpy(in_frame.astype(np.int32)).to(self._device)


def packed_places(layer: Layer, lowest: int, device: torch.device) -> torch.Tensor:
    """What a kernel needs to know of each sample [H, W], int64: along y in the upper half, x in the lower.

    Each half holds, from the top, the first source pixel under the filter in 17 bits and the row of the
    weight table in 15. lowest: the first column of the eye's half in the frame. -1 where the layer has
    no sample.
    """

    def unsigned(table: np.ndarray) -> torch.Tensor:
        return torch.from_numpy(table.view(np.int16)).to(device).to(torch.int64) & 0xFFFF

    packed = torch.empty(layer.runs.bends.shape, dtype=torch.int64, device=device)
    for rows, places in places_by_bands(layer.runs):
        first_x, first_y = unsigned(places.first_x), unsigned(places.first_y)
        code_x = ((first_x + lowest) << _ROW_BITS) | unsigned(places.row_x)
        code_y = (first_y << _ROW_BITS) | unsigned(places.row_y)
        packed[rows] = torch.where(first_x == NOT_HERE, -1, (code_y << 32) | code_x)
    return packed


def _coefficient_pairs(device: torch.device) -> torch.Tensor:
    padded = np.zeros((WIDTHS, 4), np.float32)
    padded[:, :3] = cubic_coefficients()
    return torch.from_numpy(padded.view(np.int64)).to(device)
