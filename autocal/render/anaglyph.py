"""A check copy for flat screens and red-cyan glasses: left eye in red, right eye in green and blue."""

from __future__ import annotations

import av
import numpy as np

#: Goes into the name of every such film, so that nobody delivers it.
ANAGLYPH_MARK = "_ANAGLYPH-CHECK-ONLY"


def anaglyph(frame: av.VideoFrame) -> av.VideoFrame:
    """One eye's size, 8 bit, from the luma of both halves: colour in only one eye would be in rivalry."""
    luma = frame.reformat(format="gray").to_ndarray()
    view = luma.shape[1] // 2
    left, right = luma[:, :view], luma[:, view:]
    rgb = np.stack([left, right, right], axis=-1, dtype=np.uint8)
    return av.VideoFrame.from_ndarray(rgb, format="rgb24")
