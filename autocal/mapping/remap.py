"""A frame seen through a map: for pictures and checks.

Plain bilinear sampling at exact float positions, or bicubic. Where the map shrinks the source,
neither filters: the film is made by the render room, which does.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from autocal.errors import FootageError
from autocal.mapping.stmap import Float32, Mask, Size, SourceMap, StMap

Picture = NDArray[Any]
Interpolation = Literal["linear", "cubic"]

#: OpenCV indexes its source with 16-bit integers.
_LARGEST_SIDE = 32766


def remap_half(
    half: Picture, source_map: SourceMap, *, interpolation: Interpolation = "linear", fill: float = 0
) -> Picture:
    """One eye's view (height, width[, 3]) of that eye's half of a frame.

    half: (H, W) or (H, W, 3), uint8, uint16 or float32. interpolation: "linear" is exact at the
    map's positions; "cubic" is sharper, but OpenCV's kernel (a = -0.75) moves a ramp by up to
    0.05 px: for looking at, not for measuring. fill: value outside the lens.

    Raises FootageError when the half has not the size the map was made for.
    """
    x, y = (np.nan_to_num(position, nan=0.0) for position in (source_map.x, source_map.y))
    return _remapped(half, x, y, source_map.valid, source_map.half_size, interpolation, fill)


def remap_frame(
    frame: Picture, st_map: StMap, *, interpolation: Interpolation = "linear", fill: float = 0
) -> Picture:
    """The output picture of a source picture; arguments as in `remap_half`.

    frame: the picture the map refers to (`StMap.source_size`): the whole side-by-side frame, or
    one eye's own picture.
    """
    width, height = st_map.source_size
    x = st_map.u * np.float32(width) - np.float32(0.5)
    from_top = 1 - st_map.v if st_map.v_origin == "bottom" else st_map.v
    y = from_top * np.float32(height) - np.float32(0.5)
    return _remapped(frame, x, y, st_map.valid, st_map.source_size, interpolation, fill)


def _remapped(
    picture: Picture,
    x: Float32,
    y: Float32,
    valid: Mask,
    size: Size,
    interpolation: Interpolation,
    fill: float,
) -> Picture:
    import cv2

    if picture.shape[1::-1] != size:
        raise FootageError(
            f"the map was made for pictures of {size[0]}x{size[1]} px, this one has "
            f"{picture.shape[1]}x{picture.shape[0]}: scale the calibration, or use the original footage"
        )
    if max(size) > _LARGEST_SIDE:
        raise FootageError(f"pictures of more than {_LARGEST_SIDE} px a side cannot be remapped, got {size}")
    flag = {"linear": cv2.INTER_LINEAR, "cubic": cv2.INTER_CUBIC}[interpolation]
    # Half a pixel beyond the last centre still belongs to the picture: repeat the edge there.
    seen = cv2.remap(picture, x, y, flag, borderMode=cv2.BORDER_REPLICATE)
    seen[~valid] = fill
    return seen
