"""OpenImageIO where its own words do not do: rows of any file, and why one could not be read or written."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def read_rows(source: Any, first: int, last: int, channels: tuple[int, int]) -> NDArray[np.float32] | None:
    """Rows first to last - 1 of an ImageInput, (rows, width, channels), from the first row there is.

    channels: the first, and that after the last. Of a tiled file `first` is where a row of tiles begins, and
    `last` where one ends. None where the file is damaged; `reason` says why.
    """
    spec = source.spec()
    top, bottom = spec.y + first, spec.y + last
    if spec.tile_height:
        across, deep = (spec.x, spec.x + spec.width), (0, 1)
        block = source.read_tiles(*across, top, bottom, *deep, *channels, "float")
    else:
        block = source.read_scanlines(top, bottom, 0, *channels, "float")
    whole = (last - first, spec.width, channels[1] - channels[0])
    return block if block is not None and block.shape == whole else None


def reason(file: Any = None) -> str:
    """Why a file could not be opened, or went wrong later (an ImageInput or ImageOutput), in one line.

    Asking also clears it: what nobody asked for is printed when the program ends.
    """
    import OpenImageIO as oiio

    try:
        said = oiio.geterror() if file is None else file.geterror()
    except UnicodeDecodeError:  # it quotes what it found
        said = ""
    return str(said).strip().partition("\n")[0] or "no reason is given"
