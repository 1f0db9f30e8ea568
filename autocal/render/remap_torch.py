"""Remapping in plain torch, on any device, by the same plan as the CPU's kernel.

Slow, and easy to follow: what the kernels of `autocal.render.kernel_triton` are tested against, and what
serves where those cannot be had.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import torch

from autocal.render.plan import BorderSamples, Layer, Plan
from autocal.render.runs import NOT_HERE, Places, Runs

_ROWS_AT_A_TIME = 1024
_BAND_ROWS = 32


@dataclass(frozen=True, eq=False)
class _LayerOnDevice:
    level: int
    first_x: torch.Tensor  # [H, W] int16, read as unsigned
    first_y: torch.Tensor
    row_x: torch.Tensor
    row_y: torch.Tensor
    border_place: torch.Tensor  # [n] int64
    border_first: torch.Tensor  # [n, 2] int64
    border_row: torch.Tensor


class FrameRemap(Protocol):
    """Remaps planes of side-by-side frames on a device."""

    def remap(self, source: torch.Tensor, out: torch.Tensor) -> None:
        """Fill out [planes, H, W] from source [planes, h, w].

        Both uint8, or int16 that is read as unsigned; H, W and h, w of a plane of the whole frame.
        """


class PlainFrameRemap:
    """Remaps planes of side-by-side frames that are sampled alike."""

    def __init__(
        self,
        plans: Sequence[Plan],
        halves: Sequence[int],
        fills: Sequence[float],
        bits: int,
        device: torch.device,
    ) -> None:
        """plans, halves: of each eye, the half of the source frame that it is in. fills: of each plane."""
        self._plans = [PlanOnDevice(plan, device) for plan in plans]
        self._halves, self._fills = halves, fills
        self._top = float((1 << bits) - 1)

    def remap(self, source: torch.Tensor, out: torch.Tensor) -> None:
        """As `FrameRemap`."""
        for plane, fill in enumerate(self._fills):
            samples = (source[plane].to(torch.int32) & 0xFFFF).to(torch.float32)
            for eye, (half, plan) in enumerate(zip(self._halves, self._plans, strict=True)):
                width, view = plan.source_size[0], plan.size[0]
                part = samples[:, half * width : (half + 1) * width]
                values = plan.remap(part, top=self._top, fill=fill)
                # 16-bit code values wrap into int16.
                out[plane, :, eye * view : (eye + 1) * view] = values.to(torch.int32).to(out.dtype)


class PlanOnDevice:
    """A plan whose tables lie on a device; frames come and go, the plan stays."""

    def __init__(self, plan: Plan, device: torch.device) -> None:
        self.size = plan.size
        self.source_size = plan.source_size
        self.taps = plan.filter.taps
        self._weights = torch.from_numpy(plan.filter.weights.copy()).to(device)
        self._layers = [_to_device(layer, device) for layer in plan.layers]
        self._blend_place = torch.from_numpy(plan.blend_place).to(device)
        self._blend_share = torch.from_numpy(plan.blend_share).to(device)

    def remap(self, source: torch.Tensor, *, top: float, fill: float) -> torch.Tensor:
        """The remapped plane [H, W], float32, rounded and kept in 0 to `top` (negative: left as it is).

        source: [h, w], float32, on the plan's device.
        """
        width, height = self.size
        out = torch.full((height, width), fill, dtype=torch.float32, device=source.device)
        pyramid = [source]
        for layer in self._layers:
            while len(pyramid) <= layer.level:
                pyramid.append(_halved(pyramid[-1]))
            picture = pyramid[layer.level].contiguous()
            for start in range(0, height, _ROWS_AT_A_TIME):
                rows = slice(start, start + _ROWS_AT_A_TIME)
                self._fill_rows(picture, layer, rows, out, top)
            if layer.border_place.numel():
                values = self._weigh(picture, layer.border_first, layer.border_row)
                out.view(-1)[layer.border_place] = _finished(values, top)
        if self._blend_place.numel():
            flat = out.view(-1)
            mixed = fill + (flat[self._blend_place] - fill) * self._blend_share
            flat[self._blend_place] = _finished(mixed, top)
        return out

    def _fill_rows(
        self, picture: torch.Tensor, layer: _LayerOnDevice, rows: slice, out: torch.Tensor, top: float
    ) -> None:
        maps = (layer.first_x[rows], layer.first_y[rows], layer.row_x[rows], layer.row_y[rows])
        fx, fy, rx, ry = (m.to(torch.int64) & 0xFFFF for m in maps)
        here = fx != NOT_HERE
        first = torch.stack([fx[here], fy[here]], dim=1)
        row = torch.stack([rx[here], ry[here]], dim=1)
        out[rows][here] = _finished(self._weigh(picture, first, row), top)

    def _weigh(self, picture: torch.Tensor, first: torch.Tensor, row: torch.Tensor) -> torch.Tensor:
        """Filtered values [n] of samples whose filter starts at first [n, 2]; pixels repeat at the border."""
        height, width = picture.shape
        flat = picture.reshape(-1)
        along_x, along_y = self._weights[row[:, 0]], self._weights[row[:, 1]]  # [n, taps]
        total = torch.zeros(first.shape[0], self.taps, dtype=torch.float32, device=picture.device)
        columns = (first[:, :1] + torch.arange(self.taps, device=picture.device)).clamp(0, width - 1)
        for r in range(self.taps):
            y = (first[:, 1:] + r).clamp(0, height - 1)
            total += along_y[:, r : r + 1] * flat[y * width + columns]
        return (total * along_x).sum(dim=1)


def _finished(values: torch.Tensor, top: float) -> torch.Tensor:
    return torch.floor((values + 0.5).clamp(0.0, top)) if top >= 0 else values


def _halved(picture: torch.Tensor) -> torch.Tensor:
    height, width = picture.shape[0] // 2, picture.shape[1] // 2
    return picture[: 2 * height, : 2 * width].reshape(height, 2, width, 2).mean(dim=(1, 3))


def places_by_bands(runs: Runs) -> Iterator[tuple[slice, Places]]:
    """`Runs.places`, some rows at a time: of 4096x4096 samples at once they take 1.8 GiB to work out."""
    for top in range(0, runs.bends.shape[0], _BAND_ROWS):
        rows = slice(top, top + _BAND_ROWS)
        first_run = runs.first_run[top : top + _BAND_ROWS + 1]
        band = Runs(runs.bends[rows], runs.runs[first_run[0] : first_run[-1]], first_run - first_run[0])
        yield rows, band.places()


def _to_device(layer: Layer, device: torch.device) -> _LayerOnDevice:
    border: BorderSamples = layer.border
    tables = torch.empty((4, *layer.runs.bends.shape), dtype=torch.int16, device=device)
    for rows, places in places_by_bands(layer.runs):
        columns = (places.first_x, places.first_y, places.row_x, places.row_y)
        for table, column in zip(tables, columns, strict=True):
            table[rows] = torch.from_numpy(column.view(np.int16))
    first_x, first_y, row_x, row_y = tables
    return _LayerOnDevice(
        layer.level,
        first_x,
        first_y,
        row_x,
        row_y,
        torch.from_numpy(border.place).to(device),
        torch.from_numpy(border.first.astype(np.int64)).to(device),
        torch.from_numpy(border.row.astype(np.int64)).to(device),
    )
