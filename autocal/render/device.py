"""Where frames are remapped: the processor, or a CUDA card."""

from __future__ import annotations

from concurrent.futures import Executor
from typing import Literal

from autocal.calibration import Calibration
from autocal.cores import has_cuda_card
from autocal.errors import OutputError
from autocal.render.clip import Clip
from autocal.render.formats import PlanarFormat
from autocal.render.renderer import FrameRenderer, Look, Renderer

Device = Literal["cpu", "cuda", "auto"]
_FULL_RANGE = 2  # AVCOL_RANGE_JPEG


def make_renderer(
    device: Device, calibration: Calibration, look: Look, clip: Clip, output: PlanarFormat, pool: Executor
) -> FrameRenderer:
    """The renderer for a clip.

    Raises OutputError where a card is asked for and none is there, or its memory is full; where one was
    not asked for, the processor renders.
    """
    full = clip.colour.range == _FULL_RANGE
    turn = clip.orientation
    on_card = device != "cpu" and has_cuda_card()
    if device == "cuda" and not on_card:
        raise OutputError("--device cuda: no CUDA card is there, or torch was installed without CUDA")
    if on_card:
        import torch

        from autocal.render.renderer_torch import TorchRenderer

        try:
            return TorchRenderer(
                calibration, look, clip.format, output, clip.size, orientation=turn, full_range=full
            )
        except torch.cuda.OutOfMemoryError as error:
            if device == "cuda":
                raise OutputError(
                    "--device cuda: the card has too little memory left for a film of this size (8192x4096 "
                    "takes about 2 GB): close what else uses it, or give --device cpu"
                ) from error
    return Renderer(
        calibration, look, clip.format, output, clip.size, orientation=turn, full_range=full, pool=pool
    )
