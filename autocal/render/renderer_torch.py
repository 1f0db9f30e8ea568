"""The frame renderer on a torch device: planes are uploaded once, remapped there, and fetched back.

On a CUDA card the kernels of `autocal.render.kernel_triton` remap; where they cannot be compiled (no
Triton, as on Windows, or no C compiler: a warning says so), and on other devices, plain torch does, many
times slower. Every format that the processor renders is rendered here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import av
import numpy as np
import torch

from autocal.calibration import Calibration
from autocal.footage.orientation import UPRIGHT, Orientation
from autocal.matches import LEFT, RIGHT
from autocal.render.formats import PlanarFormat, fill_values, plane_array
from autocal.render.plan import Plan
from autocal.render.remap import Plane
from autocal.render.remap_torch import FrameRemap, PlainFrameRemap
from autocal.render.renderer import Look, check_halves, make_plans


@dataclass(frozen=True, eq=False)
class _Group:
    """Planes that are sampled alike, [planes, h, w] each, and where they are on the way there and back.

    source, out: on the device. sent, fetched: in the machine's memory, pinned where the device is a card.
    """

    planes: tuple[int, ...]
    remap: FrameRemap
    sent: torch.Tensor
    source: torch.Tensor
    out: torch.Tensor
    fetched: torch.Tensor


class TorchRenderer:
    """As `autocal.render.renderer.Renderer`, on a torch device (a CUDA card where there is one)."""

    def __init__(
        self,
        calibration: Calibration,
        look: Look,
        source: PlanarFormat,
        output: PlanarFormat,
        source_size: tuple[int, int],
        *,
        orientation: Orientation = UPRIGHT,
        full_range: bool = False,
        device: str | None = None,
        plain: bool = False,
    ) -> None:
        """Arguments as for `Renderer`.

        device: a torch device's name, by default the card if there is one. plain: plain torch on a card, too.
        """
        check_halves(source, source_size)
        self._device = torch.device(device or ("cuda" if torch.cuda.is_available() else "cpu"))
        self._plain = plain or not _kernels_serve(self._device)
        self._source, self._output, self._size = source, output, look.size
        self._orientation = orientation
        fills = fill_values(output, look.fill, full_range)
        halves = (LEFT, RIGHT) if not calibration.swapped else (RIGHT, LEFT)
        half = (source_size[0] // 2, source_size[1])
        plans = make_plans(calibration, look, source, output, half)
        alike: dict[int, list[int]] = {}
        for plane, pair in enumerate(plans):
            alike.setdefault(id(pair[0]), []).append(plane)
        self._groups = [
            self._group(plans[planes[0]], halves, planes, [fills[plane] for plane in planes])
            for planes in alike.values()
        ]

    @property
    def is_on_card(self) -> bool:
        """Whether the processor has nothing to do meanwhile but to copy."""
        return self._device.type == "cuda"

    def _group(
        self, plans: Sequence[Plan], halves: Sequence[int], planes: Sequence[int], fills: Sequence[float]
    ) -> _Group:
        kind = torch.uint8 if self._output.bits <= 8 else torch.int16
        (width, height), (view, rows) = plans[0].source_size, plans[0].size
        there, back = (len(planes), height, 2 * width), (len(planes), rows, 2 * view)
        on_card = self.is_on_card
        arguments = (plans, halves, fills, self._output.bits, self._device)
        remap: FrameRemap
        if self._plain:
            remap = PlainFrameRemap(*arguments)
        else:
            from autocal.render.remap_triton import TritonFrameRemap

            remap = TritonFrameRemap(*arguments)
        return _Group(
            tuple(planes),
            remap,
            sent=torch.empty(there, dtype=kind, pin_memory=on_card),
            source=torch.empty(there, dtype=kind, device=self._device),
            out=torch.empty(back, dtype=kind, device=self._device),
            fetched=torch.empty(back, dtype=kind, pin_memory=on_card),
        )

    def render(self, frame: av.VideoFrame) -> av.VideoFrame:
        """The film's frame; time stamps are the caller's business."""
        on_card = self.is_on_card
        for group in self._groups:
            for samples, plane in zip(group.sent, group.planes, strict=True):
                picture = self._orientation.apply(plane_array(frame, plane, self._source))
                _copy(picture, samples.numpy().view(self._source.dtype))
            group.source.copy_(group.sent, non_blocking=on_card)
            group.remap.remap(group.source, group.out)
            group.fetched.copy_(group.out, non_blocking=on_card)
        result = av.VideoFrame(*self._size, self._output.name)  # made while the card is busy
        if on_card:
            torch.cuda.current_stream(self._device).synchronize()
        for group in self._groups:
            for samples, plane in zip(group.fetched, group.planes, strict=True):
                target = plane_array(result, plane, self._output)
                _copy(samples.numpy().view(self._output.dtype), target)
        return result


def _kernels_serve(device: torch.device) -> bool:
    from autocal.render.remap_triton import kernels_work

    return device.type == "cuda" and kernels_work(device)


def _copy(samples: Plane, target: Plane) -> None:
    """Copy a plane, by all cores where rows run forwards: one alone is slower than the card."""
    if min(samples.strides) < 0:
        np.copyto(target, samples)
    else:
        torch.from_numpy(target).copy_(torch.from_numpy(samples))
