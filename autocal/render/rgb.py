"""Luma and chroma to red, green and blue, at full precision: for files that hold no chroma planes.

Code values stay as encoded: a log curve stays that curve, nothing is made linear.
"""

from __future__ import annotations

from concurrent.futures import Executor
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from autocal.errors import FootageError
from autocal.render.clip import ColourTags
from autocal.render.formats import PlanarFormat

#: Weights of red and blue in luma, by the number of the matrix (Rec. ITU-T H.273, table 4): BT.709,
#: FCC, BT.470 BG, BT.601, SMPTE 240M, BT.2020 (not constant luminance).
_RED_BLUE: Final = {
    1: (0.2126, 0.0722),
    4: (0.30, 0.11),
    5: (0.299, 0.114),
    6: (0.299, 0.114),
    7: (0.212, 0.087),
    9: (0.2627, 0.0593),
}
_UNSPECIFIED: Final = 2
_FULL_RANGE: Final = 2
_BAND_ROWS: Final = 256


def rgb_picture(
    planes: tuple[NDArray[Any], ...],
    format_: PlanarFormat,
    colour: ColourTags,
    dtype: type[np.generic],
    pool: Executor | None = None,
) -> NDArray[Any]:
    """The picture (height, width, 3), of grey 1, of planes (height, width), chroma not subsampled.

    dtype: uint8 or uint16, where black to white fills the type and what lies beyond is cut off; float16
    or float32, where black is 0, white is 1 and what lies beyond is kept. Formulas: Rec. ITU-R BT.709-6,
    items 3.2 to 3.4, and Rec. ITU-T H.273, eqs. 26 to 30 (range).
    Raises FootageError where the matrix that the clip states is none of these.
    """
    red, blue = (0.0, 0.0) if format_.planes == 1 or format_.is_rgb else _weights(colour.matrix)
    full = colour.range == _FULL_RANGE or format_.is_rgb
    unit = float(1 << (format_.bits - 8))
    top = float((1 << format_.bits) - 1)
    black, span, chroma_span = (0.0, top, top) if full else (16 * unit, 219 * unit, 224 * unit)
    result = np.empty((*planes[0].shape, 1 if format_.planes == 1 else 3), dtype)
    most = float((1 << 8 * result.itemsize) - 1) if result.dtype.kind == "u" else None

    def rows(start: int) -> None:
        band = slice(start, start + _BAND_ROWS)
        parts = [plane[band].astype(np.float32) for plane in planes]
        if format_.is_rgb:
            green, blue_part, red_part = ((part - black) / span for part in parts)
            channels = [red_part, green, blue_part]
        else:
            luma = (parts[0] - black) / span
            channels = [luma]
            if len(parts) > 1:
                from_blue, from_red = ((part - 128 * unit) / chroma_span for part in parts[1:])
                red_part = luma + from_red * (2 * (1 - red))
                blue_part = luma + from_blue * (2 * (1 - blue))
                green = (luma - red * red_part - blue * blue_part) / (1 - red - blue)
                channels = [red_part, green, blue_part]
        for number, channel in enumerate(channels):
            result[band, :, number] = channel if most is None else _whole(channel, most)

    list((pool.map if pool else map)(rows, range(0, planes[0].shape[0], _BAND_ROWS)))
    return result


def _whole(channel: NDArray[np.float32], most: float) -> NDArray[np.float32]:
    return np.floor(np.clip(channel, 0.0, 1.0) * most + 0.5)


def _weights(matrix: int) -> tuple[float, float]:
    # Unspecified: BT.709, common practice for pictures of this size, no source.
    known = _RED_BLUE.get(1 if matrix == _UNSPECIFIED else matrix)
    if known is None:
        raise FootageError(
            f"the clip's colour matrix (number {matrix} of Rec. ITU-T H.273) cannot be turned into red, "
            "green and blue: render a film instead of pictures, or convert the clip"
        )
    return known
