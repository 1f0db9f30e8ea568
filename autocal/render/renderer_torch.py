"""The frame renderer in torch: planes are uploaded once, remapped on the device, and fetched back."""

from __future__ import annotations

import av
import numpy as np
import torch

from autocal.calibration import Calibration
from autocal.footage.orientation import UPRIGHT, Orientation
from autocal.matches import LEFT, RIGHT
from autocal.render.formats import PlanarFormat, fill_values, plane_array
from autocal.render.remap import Plane
from autocal.render.remap_torch import PlanOnDevice
from autocal.render.renderer import Look, check_halves, make_plans


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
    ) -> None:
        """Arguments as for `Renderer`; device: a torch device's name, by default the card if there is one."""
        check_halves(source, source_size)
        self._device = torch.device(device or ("cuda" if torch.cuda.is_available() else "cpu"))
        self._source, self._output, self._size = source, output, look.size
        self._orientation = orientation
        self._top = float((1 << output.bits) - 1)
        self._fills = fill_values(output, look.fill, full_range)
        self._halves = (LEFT, RIGHT) if not calibration.swapped else (RIGHT, LEFT)
        half = (source_size[0] // 2, source_size[1])
        plans = make_plans(calibration, look, source, output, half)
        placed = {id(plan): PlanOnDevice(plan, self._device) for pair in plans for plan in pair}
        self._plans = [tuple(placed[id(plan)] for plan in pair) for pair in plans]

    def render(self, frame: av.VideoFrame) -> av.VideoFrame:
        """The film's frame; time stamps are the caller's business."""
        result = av.VideoFrame(*self._size, self._output.name)
        fetched: list[tuple[Plane, torch.Tensor]] = []
        for plane, (fill, plans) in enumerate(zip(self._fills, self._plans, strict=True)):
            samples = self._upload(self._orientation.apply(plane_array(frame, plane, self._source)))
            target = plane_array(result, plane, self._output)
            for eye, (half, plan) in enumerate(zip(self._halves, plans, strict=True)):
                width, view = plan.source_size[0], plan.size[0]
                part = samples[:, half * width : (half + 1) * width]
                values = plan.remap(part, top=self._top, fill=fill)
                fetched.append((target[:, eye * view : (eye + 1) * view], self._fetch(values)))
        if self._device.type == "cuda":
            torch.cuda.current_stream(self._device).synchronize()
        for place, values in fetched:
            place[...] = values.numpy().view(self._output.dtype)
        return result

    def _upload(self, samples: Plane) -> torch.Tensor:
        """A plane on the device, [h, w], float32. The bytes travel in the footage's own depth."""
        signed = {1: np.uint8, 2: np.int16}[samples.itemsize]
        host = torch.from_numpy(np.array(samples).view(signed))
        if self._device.type == "cuda":
            host = host.pin_memory()
        sent = host.to(self._device, non_blocking=True)
        return (sent.to(torch.int32) & 0xFFFF).to(torch.float32)

    def _fetch(self, values: torch.Tensor) -> torch.Tensor:
        """The finished samples on their way back, in the output's own depth."""
        # 16-bit code values wrap into int16 and are read back as unsigned.
        whole = values.to(torch.int32)
        small = whole.to(torch.uint8) if self._output.bits <= 8 else whole.to(torch.int16)
        return small.to("cpu", non_blocking=self._device.type == "cuda")
