"""From any sample type and any number of channels to luma, and to pictures for people."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Rec. ITU-R BT.709-6, item 3.2: luma of R'G'B'.
_LUMA = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)

# Scene-linear floats are coded by their logarithm between fixed ends: the same curve for every frame, so that
# exposure is an offset and never changes contrast. 24 stops, 2730 codes a stop.
_DARKEST_STOP, _BRIGHTEST_STOP = -10.0, 14.0
_DISPLAY_GAMMA = 2.2


def log_coded(linear: NDArray[np.floating[Any]]) -> NDArray[np.uint16]:
    """Scene-linear values of any shape as uint16; negative and invalid values count as black."""
    x = np.nan_to_num(linear.astype(np.float32), nan=0.0, posinf=2.0**_BRIGHTEST_STOP, neginf=0.0)
    stops = np.log2(np.maximum(x, 0.0) + np.float32(2.0**_DARKEST_STOP))
    share = (stops - _DARKEST_STOP) / (_BRIGHTEST_STOP - _DARKEST_STOP)
    return np.round(np.clip(share, 0.0, 1.0) * 65535.0).astype(np.uint16)


def display_coded(linear: NDArray[np.floating[Any]]) -> NDArray[np.uint16]:
    """Scene-linear values as a picture for people: white at the 99.5th percentile, a plain power curve."""
    x = np.maximum(np.nan_to_num(linear.astype(np.float32), posinf=0.0, neginf=0.0), 0.0)
    white = float(np.percentile(x, 99.5)) or 1.0
    return np.round(np.clip(x / white, 0.0, 1.0) ** (1.0 / _DISPLAY_GAMMA) * 65535.0).astype(np.uint16)


def luma(picture: NDArray[Any]) -> NDArray[Any]:
    """Luma (H, W) of (H, W, C), in the same sample type: three channels weighed, or the first alone."""
    if picture.shape[2] < 3:
        return np.ascontiguousarray(picture[..., 0])
    weighed = picture[..., :3].astype(np.float32) @ _LUMA
    if np.issubdtype(picture.dtype, np.integer):
        weighed = np.round(weighed)
    return weighed.astype(picture.dtype)


def as_unit(picture: NDArray[Any]) -> NDArray[np.float32]:
    """An integer picture as float32 in 0..1."""
    scaled: NDArray[np.float32] = picture.astype(np.float32) / np.float32(np.iinfo(picture.dtype).max)
    return scaled
